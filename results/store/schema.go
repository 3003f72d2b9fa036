package store

import (
	"context"
	"database/sql"
	"fmt"
)

// applicationID marks the file as ours in SQLite's header ("drnc").
const applicationID = 0x64726e63

// migrations bring a file from one version to the next; the file's
// user_version counts those applied. Never edit one that was released.
var migrations = []string{
	// 1: times are microseconds since 1970 UTC; a seed is decimal text since
	// SQLite has no unsigned integers. A chunk holds its own number, count,
	// format and checksum; kept is when it was written.
	`CREATE TABLE texts (
		hash TEXT PRIMARY KEY, -- SHA-256 of body
		body TEXT NOT NULL
	) STRICT;
	CREATE TABLE runs (
		id          INTEGER PRIMARY KEY AUTOINCREMENT,
		state       TEXT NOT NULL CHECK (state IN ('running', 'done')),
		started     INTEGER NOT NULL,
		ended       INTEGER,
		scenario    TEXT NOT NULL,
		dut         TEXT NOT NULL,
		bench       TEXT NOT NULL,
		tool        TEXT NOT NULL,
		seed        TEXT NOT NULL,
		verdict     TEXT NOT NULL,
		reason      TEXT NOT NULL,
		sum         TEXT NOT NULL,
		limits_name TEXT NOT NULL,
		limits_hash TEXT NOT NULL REFERENCES texts (hash)
	) STRICT;
	CREATE INDEX runs_by_state ON runs (state);
	CREATE INDEX runs_by_dut ON runs (dut);
	CREATE TABLE run_sources (
		run  INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
		role TEXT NOT NULL,
		name TEXT NOT NULL,
		hash TEXT NOT NULL REFERENCES texts (hash),
		PRIMARY KEY (run, role)
	) STRICT;
	CREATE TABLE run_tags (
		run INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
		tag TEXT NOT NULL,
		PRIMARY KEY (run, tag)
	) STRICT;
	CREATE INDEX run_tags_by_tag ON run_tags (tag);
	CREATE TABLE chunks (
		id     INTEGER PRIMARY KEY,
		run    INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
		number INTEGER NOT NULL,
		kept   INTEGER NOT NULL,
		body   BLOB NOT NULL,
		UNIQUE (run, number)
	) STRICT;
	CREATE TABLE judgements (
		id          INTEGER PRIMARY KEY AUTOINCREMENT,
		run         INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
		at          INTEGER NOT NULL,
		limits_name TEXT NOT NULL,
		limits_hash TEXT NOT NULL REFERENCES texts (hash),
		verdict     TEXT NOT NULL,
		reason      TEXT NOT NULL,
		body        TEXT NOT NULL
	) STRICT;
	CREATE INDEX judgements_by_run ON judgements (run);`,

	// 2: a trip outlasts the process that saw it, and its run: run is a number
	// that is never used again, not a reference. A trip is cleared once and
	// nothing else in it ever changes.
	`CREATE TABLE trips (
		id         INTEGER PRIMARY KEY AUTOINCREMENT,
		at         INTEGER NOT NULL,
		bench      TEXT NOT NULL,
		run        INTEGER,
		reason     TEXT NOT NULL,
		cleared_at INTEGER,
		cleared_by TEXT CHECK (cleared_by <> ''),
		note       TEXT NOT NULL,
		CHECK ((cleared_at IS NULL) = (cleared_by IS NULL))
	) STRICT;
	CREATE INDEX trips_by_bench ON trips (bench);
	CREATE TRIGGER trips_happened BEFORE UPDATE OF id, at, bench, run, reason ON trips
		BEGIN SELECT RAISE(ABORT, 'what tripped is never rewritten'); END;
	CREATE TRIGGER trips_cleared BEFORE UPDATE ON trips WHEN OLD.cleared_at IS NOT NULL
		BEGIN SELECT RAISE(ABORT, 'a cleared trip is never rewritten'); END;
	CREATE TRIGGER trips_stay BEFORE DELETE ON trips
		BEGIN SELECT RAISE(ABORT, 'a trip is never deleted'); END;
	CREATE TABLE interlock_proofs (
		id          INTEGER PRIMARY KEY AUTOINCREMENT,
		bench       TEXT NOT NULL,
		input       TEXT NOT NULL,
		last_opened INTEGER NOT NULL,
		how         TEXT NOT NULL,
		by          TEXT NOT NULL
	) STRICT;
	CREATE INDEX interlock_proofs_by_bench ON interlock_proofs (bench, input);`,

	// 3: a daemon's queue, nights and files. What is to be run is JSON, for the
	// daemon alone. A job's run is a number, since old runs are deleted and jobs
	// are not. due is the start of a night that its schedule asked for: each is
	// run once, whatever the clock does.
	`CREATE TABLE benches (
		name   TEXT PRIMARY KEY,
		paused INTEGER NOT NULL DEFAULT 0 CHECK (paused IN (0, 1)),
		seen   INTEGER NOT NULL DEFAULT 0 -- until when schedules have been looked at
	) STRICT;
	CREATE TABLE nights (
		bench   TEXT NOT NULL,
		name    TEXT NOT NULL,
		spec    TEXT NOT NULL,
		by      TEXT NOT NULL,
		changed INTEGER NOT NULL,
		PRIMARY KEY (bench, name)
	) STRICT;
	CREATE TABLE night_runs (
		id      INTEGER PRIMARY KEY AUTOINCREMENT,
		bench   TEXT NOT NULL,
		night   TEXT NOT NULL,
		spec    TEXT NOT NULL, -- as it was then
		by      TEXT NOT NULL,
		due     INTEGER,
		started INTEGER NOT NULL,
		ended   INTEGER,
		verdict TEXT NOT NULL,
		UNIQUE (bench, night, due)
	) STRICT;
	CREATE TABLE jobs (
		id      INTEGER PRIMARY KEY AUTOINCREMENT,
		bench   TEXT NOT NULL,
		spec    TEXT NOT NULL,
		state   TEXT NOT NULL CHECK (state IN ('queued', 'running', 'finished', 'cancelled', 'interrupted')),
		place   INTEGER, -- 1 is next
		by      TEXT NOT NULL,
		night   INTEGER REFERENCES night_runs (id),
		added   INTEGER NOT NULL,
		started INTEGER,
		ended   INTEGER,
		run     INTEGER,
		verdict TEXT NOT NULL,
		reason  TEXT NOT NULL,
		CHECK ((place IS NULL) = (state <> 'queued'))
	) STRICT;
	CREATE UNIQUE INDEX jobs_one_runs ON jobs (bench) WHERE state = 'running';
	CREATE UNIQUE INDEX jobs_in_order ON jobs (bench, place) WHERE state = 'queued';
	CREATE INDEX jobs_by_night ON jobs (night);
	CREATE TABLE files (
		name TEXT PRIMARY KEY,
		hash TEXT NOT NULL REFERENCES texts (hash),
		by   TEXT NOT NULL,
		at   INTEGER NOT NULL
	) STRICT;`,

	// 4: ledgers of lots that are inspected by sampling, a line an entry. Lines
	// are chained by their hashes; nothing of them is ever changed.
	`CREATE TABLE lot_entries (
		product TEXT NOT NULL,
		number  INTEGER NOT NULL CHECK (number > 0),
		line    TEXT NOT NULL,
		PRIMARY KEY (product, number)
	) STRICT, WITHOUT ROWID;
	CREATE TRIGGER lot_entries_happened BEFORE UPDATE ON lot_entries
		BEGIN SELECT RAISE(ABORT, 'an entry of a ledger is never rewritten'); END;
	CREATE TRIGGER lot_entries_stay BEFORE DELETE ON lot_entries
		BEGIN SELECT RAISE(ABORT, 'an entry of a ledger is never deleted'); END;
	CREATE TRIGGER lot_entries_once BEFORE INSERT ON lot_entries
		WHEN EXISTS (SELECT 1 FROM lot_entries WHERE product = NEW.product AND number = NEW.number)
		BEGIN SELECT RAISE(ABORT, 'an entry of a ledger is never replaced'); END;`,
}

// migrate brings the file to this drench's version.
func (s *Store) migrate(ctx context.Context) error {
	version, err := s.version(ctx, s.db)
	if err != nil || version == len(migrations) {
		return err
	}
	return s.inTx(ctx, "bring the file up to date", func(tx *sql.Tx) error {
		// Another process may have done it while this one waited for the lock.
		version, err := s.version(ctx, tx)
		if err != nil {
			return err
		}
		for ; version < len(migrations); version++ {
			if _, err := tx.ExecContext(ctx, migrations[version]); err != nil {
				return fmt.Errorf("to version %d: %w", version+1, err)
			}
		}
		// Pragmas take no parameters.
		_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version=%d; PRAGMA application_id=%d", version, applicationID))
		return err
	})
}

type rowQuerier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// version returns the file's version, or an error if it isn't ours or newer
// than this drench.
func (s *Store) version(ctx context.Context, q rowQuerier) (int, error) {
	var version, application, tables int
	// One statement, as another process may be making the file.
	err := q.QueryRowContext(ctx, `SELECT user_version, application_id, (SELECT count(*) FROM sqlite_schema)
		FROM pragma_user_version, pragma_application_id`).Scan(&version, &application, &tables)
	if err != nil {
		return 0, s.fault("read its version", err)
	}
	if tables > 0 && application != applicationID {
		return 0, &Error{Path: s.path, Doing: "open", Err: errNotOurs,
			Mend: "name another file"}
	}
	if version > len(migrations) {
		return 0, &Error{Path: s.path, Doing: "open", Err: &VersionError{Found: version},
			Mend: "upgrade drench, or name another file"}
	}
	return version, nil
}

// VersionError says that the file was written by a newer drench.
type VersionError struct{ Found int }

func (e *VersionError) Error() string {
	return fmt.Sprintf("the file has version %d; this drench knows versions up to %d", e.Found, len(migrations))
}
