package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Proof says when an interlock input was last seen to open, which is how one
// knows that it can.
type Proof struct {
	Bench      string
	Input      string    // the channel
	LastOpened time.Time // wall time in UTC, to the microsecond
	How        string    // such as "pressed by hand" or "run 12"
	By         string    // a person, or "" where a run saw it
}

// AddProof keeps a proof beside the earlier ones.
func (s *Store) AddProof(ctx context.Context, p Proof) error {
	return s.inTx(ctx, fmt.Sprintf("keep a proof of interlock input %s of bench %s", p.Input, p.Bench), func(tx *sql.Tx) error {
		if p.Bench == "" || p.Input == "" {
			return errors.New("it lacks the bench or the input")
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO interlock_proofs (bench, input, last_opened, how, by) VALUES (?, ?, ?, ?, ?)`,
			p.Bench, p.Input, p.LastOpened.UnixMicro(), p.How, p.By)
		return err
	})
}

// Proofs lists the latest proof of each input of a bench, by the input's name.
func (s *Store) Proofs(ctx context.Context, bench string) ([]Proof, error) {
	const doing = "list proofs of interlocks"
	// Bare columns come from the row of the maximum (sqlite.org/lang_select.html,
	// "Bare columns in an aggregate query").
	rows, err := s.db.QueryContext(ctx, `SELECT bench, input, max(last_opened), how, by FROM interlock_proofs
		WHERE bench = ? GROUP BY input ORDER BY input`, bench)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []Proof
	for rows.Next() {
		var p Proof
		var at int64
		if err := rows.Scan(&p.Bench, &p.Input, &at, &p.How, &p.By); err != nil {
			return nil, s.fault(doing, err)
		}
		p.LastOpened = time.UnixMicro(at).UTC()
		list = append(list, p)
	}
	return list, s.fault(doing, rows.Err())
}
