package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
)

// ErrNotNext is in the chain of errors about an entry that is not the next of
// its ledger: another process has added one meanwhile.
var ErrNotNext = errors.New("another process has added to the ledger meanwhile; read it again")

// Append implements lot.Storage: it keeps a line as entry n of a product's
// ledger, for good. It gives ErrNotNext unless n is one more than the last.
func (s *Store) Append(ctx context.Context, product string, n int, line []byte) error {
	return s.inTx(ctx, fmt.Sprintf("keep entry %d of the ledger of %s", n, product), func(tx *sql.Tx) error {
		var last int
		err := tx.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) FROM lot_entries WHERE product = ?`, product).Scan(&last)
		if err != nil {
			return err
		}
		if n != last+1 {
			return fmt.Errorf("entry %d is not the next of %d: %w", n, last, ErrNotNext)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO lot_entries (product, number, line) VALUES (?, ?, ?)`, product, n, string(line))
		return err
	})
}

// Read implements lot.Storage: the lines of a product's ledger in their order.
func (s *Store) Read(ctx context.Context, product string) iter.Seq2[[]byte, error] {
	doing := "read the ledger of " + product
	return func(yield func([]byte, error) bool) {
		rows, err := s.db.QueryContext(ctx, `SELECT line FROM lot_entries WHERE product = ? ORDER BY number`, product)
		if err != nil {
			yield(nil, s.fault(doing, err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			var line []byte
			if err := rows.Scan(&line); err != nil {
				yield(nil, s.fault(doing, err))
				return
			}
			if !yield(line, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, s.fault(doing, err))
		}
	}
}

// Entries is how many entries a product's ledger has.
func (s *Store) Entries(ctx context.Context, product string) (n int, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) FROM lot_entries WHERE product = ?`, product).Scan(&n)
	return n, s.fault("count the entries of the ledger of "+product, err)
}

// Products lists the products that have a ledger, by name.
func (s *Store) Products(ctx context.Context) ([]string, error) {
	const doing = "list the products that have a ledger"
	rows, err := s.db.QueryContext(ctx, `SELECT product FROM lot_entries WHERE number = 1 ORDER BY product`)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []string
	for rows.Next() {
		var p string
		if err := rows.Scan(&p); err != nil {
			return nil, s.fault(doing, err)
		}
		list = append(list, p)
	}
	return list, s.fault(doing, rows.Err())
}
