package store

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

// File is a script, limits file or profile that daemons keep here.
type File struct {
	Name string
	Text string // from File only
	Hash string // SHA-256 of Text in hexadecimal
	By   string
	At   time.Time
}

// ErrNoFile is in the chain of errors about a file that isn't in the store.
var ErrNoFile = errors.New("no such file")

// PutFile keeps a file, in place of the one that has its name. Of f, Hash is
// not used.
func (s *Store) PutFile(ctx context.Context, f File) (File, error) {
	err := s.inTx(ctx, "keep file "+f.Name, func(tx *sql.Tx) error {
		if f.Name == "" {
			return errors.New("it has no name")
		}
		var err error
		if f.Hash, err = putText(ctx, tx, f.Text); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT OR REPLACE INTO files (name, hash, by, at) VALUES (?, ?, ?, ?)`, f.Name, f.Hash, f.By, f.At.UnixMicro())
		return err
	})
	return f, err
}

// DeleteFile forgets a file. Runs keep the text that they were made with.
func (s *Store) DeleteFile(ctx context.Context, name string) error {
	return s.inTx(ctx, "delete file "+name, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `DELETE FROM files WHERE name = ?`, name)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, ErrNoFile)
		}
		return nil
	})
}

// Files lists the files by name, without their texts.
func (s *Store) Files(ctx context.Context) ([]File, error) {
	const doing = "list files"
	rows, err := s.db.QueryContext(ctx, `SELECT name, hash, by, at FROM files ORDER BY name`)
	if err != nil {
		return nil, s.fault(doing, err)
	}
	defer rows.Close()
	var list []File
	for rows.Next() {
		var f File
		var at int64
		if err := rows.Scan(&f.Name, &f.Hash, &f.By, &at); err != nil {
			return nil, s.fault(doing, err)
		}
		f.At = instant(at)
		list = append(list, f)
	}
	return list, s.fault(doing, rows.Err())
}

// File returns one file with its text.
func (s *Store) File(ctx context.Context, name string) (File, error) {
	f := File{Name: name}
	var at int64
	err := s.db.QueryRowContext(ctx, `SELECT body, hash, by, at FROM files JOIN texts USING (hash) WHERE name = ?`, name).
		Scan(&f.Text, &f.Hash, &f.By, &at)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoFile
	}
	f.At = instant(at)
	return f, s.fault("read file "+name, err)
}
