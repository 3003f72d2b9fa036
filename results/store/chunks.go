package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
)

// Timeline returns the chunks of a run, one after the other, as
// timeline.NewReader takes them. One chunk is in memory at a time, and no
// transaction stays open between two. An unknown run is an error of the first
// read. A run that is being recorded ends with its last chunk so far.
func (s *Store) Timeline(ctx context.Context, id int64) io.ReadCloser {
	return &chunkReader{store: s, ctx: ctx, run: id}
}

type chunkReader struct {
	store *Store
	ctx   context.Context
	run   int64
	next  int
	rest  []byte
	err   error
}

// fill makes rest hold something, or returns why it can't.
func (c *chunkReader) fill() error {
	for len(c.rest) == 0 {
		if c.err == nil {
			c.rest, c.err = c.store.chunk(c.ctx, c.run, c.next)
			c.next++
		}
		if c.err != nil {
			return c.err
		}
	}
	return nil
}

func (c *chunkReader) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := c.fill(); err != nil {
		return 0, err
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

// ReadByte spares timeline.NewReader a buffer of its own.
func (c *chunkReader) ReadByte() (byte, error) {
	if err := c.fill(); err != nil {
		return 0, err
	}
	b := c.rest[0]
	c.rest = c.rest[1:]
	return b, nil
}

func (c *chunkReader) Close() error {
	c.rest, c.err = nil, fs.ErrClosed
	return nil
}

// mostChunks bounds what ChunksSince has in memory.
const mostChunks = 64

// ChunksSince returns the chunks of a run from a number on, at most 64, for
// whoever follows a run while it is recorded: ask again from the number after
// the last. None means that there are no further ones yet, or, of a run that is
// done, that there won't be.
func (s *Store) ChunksSince(ctx context.Context, run int64, number int) ([][]byte, error) {
	var chunks [][]byte
	for len(chunks) < mostChunks {
		b, err := s.chunk(ctx, run, number+len(chunks))
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		chunks = append(chunks, b)
	}
	return chunks, nil
}

// chunk returns a chunk of a run, or io.EOF if it has no more.
func (s *Store) chunk(ctx context.Context, run int64, number int) ([]byte, error) {
	doing := fmt.Sprintf("read chunk %d of run %d", number, run)
	var body []byte
	err := s.db.QueryRowContext(ctx, `SELECT body FROM chunks WHERE run = ? AND number = ?`, run, number).Scan(&body)
	if !errors.Is(err, sql.ErrNoRows) {
		return body, s.fault(doing, err)
	}
	var found int
	err = s.db.QueryRowContext(ctx, `SELECT 1 FROM runs WHERE id = ?`, run).Scan(&found)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, s.notFound(doing)
	case err != nil:
		return nil, s.fault(doing, err)
	}
	return nil, io.EOF
}
