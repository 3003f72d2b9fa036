package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"drench/results/verdict"
)

// Judgement is a run judged by a limits file.
type Judgement struct {
	ID         int64
	Run        int64
	At         time.Time // wall time in UTC, to the microsecond
	LimitsName string
	LimitsText string
	LimitsHash string // SHA-256 of LimitsText in hexadecimal
	Verdict    verdict.Verdict
	Reason     string
	Body       json.RawMessage // limits.Judgement as JSON
}

// AddJudgement keeps one more judgement of a run and returns its ID. Those
// before, and the run's own verdict, stay as they are. ID and LimitsHash of j
// are not used.
func (s *Store) AddJudgement(ctx context.Context, j Judgement) (int64, error) {
	var id int64
	err := s.inTx(ctx, fmt.Sprintf("keep a judgement of run %d", j.Run), func(tx *sql.Tx) error {
		if err := s.mustExist(ctx, tx, j.Run); err != nil {
			return err
		}
		hash, err := putText(ctx, tx, j.LimitsText)
		if err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO judgements
			(run, at, limits_name, limits_hash, verdict, reason, body) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			j.Run, j.At.UnixMicro(), j.LimitsName, hash, j.Verdict.String(), j.Reason, jsonOrNull(j.Body))
		if err != nil {
			return err
		}
		id, err = res.LastInsertId()
		return err
	})
	return id, err
}

// Judgements lists all judgements of a run, the first one first.
func (s *Store) Judgements(ctx context.Context, run int64) ([]Judgement, error) {
	doing := fmt.Sprintf("list judgements of run %d", run)
	rows, err := s.db.QueryContext(ctx, `SELECT id, run, at, limits_name, texts.body, limits_hash, verdict, reason, judgements.body
		FROM judgements JOIN texts ON limits_hash = hash WHERE run = ? ORDER BY id`, run)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []Judgement
	for rows.Next() {
		j, err := scanJudgement(rows)
		if err != nil {
			return nil, s.fault(doing, err)
		}
		list = append(list, j)
	}
	return list, s.fault(doing, rows.Err())
}

func scanJudgement(rows *sql.Rows) (Judgement, error) {
	var j Judgement
	var at int64
	var word, body string
	err := rows.Scan(&j.ID, &j.Run, &at, &j.LimitsName, &j.LimitsText, &j.LimitsHash, &word, &j.Reason, &body)
	if err != nil {
		return Judgement{}, err
	}
	j.At, j.Body = time.UnixMicro(at).UTC(), json.RawMessage(body)
	if j.Verdict, err = verdict.Parse(word); err != nil {
		return Judgement{}, fmt.Errorf("verdict of judgement %d: %w", j.ID, err)
	}
	return j, nil
}

func jsonOrNull(b json.RawMessage) string {
	if len(b) == 0 {
		return "null"
	}
	return string(b)
}
