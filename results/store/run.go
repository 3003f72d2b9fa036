package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/results/verdict"
)

// State says whether a run is still being recorded.
type State string

// States of a run.
const (
	Running State = "running"
	Done    State = "done"
)

// Source is a file that went into a run.
type Source struct {
	Name string // as the operator called it
	Text string
}

// Run is one scenario on one DUT.
type Run struct {
	ID             int64
	State          State
	Started, Ended time.Time // wall time in UTC, to the microsecond; Ended is zero while running
	Scenario       string
	DUT            string
	Bench          string // "virtual" or the rig's name
	Tool           string // version of drench
	Seed           uint64
	Verdict        verdict.Verdict // as judged at the run's end
	Reason         string
	Sum            string // SHA-256 of the timeline in hexadecimal, "" while running
	LimitsName     string
	LimitsText     string            // from Get only
	Sources        map[string]Source // by role: script, rig, profile, calibration; from Get only
	Tags           []string          // sorted
}

// Filter says which runs to list. A zero field lets all pass.
type Filter struct {
	Scenario string
	DUT      string
	Tag      string
	Tags     []string // all of them, besides Tag
	State    State
	Verdicts []verdict.Verdict // any of them; a run that is being recorded has none yet
	Text     string            // somewhere in scenario, DUT, bench, reason or a tag; in ASCII, upper case is as lower
	Since    time.Time         // started then or later
	Until    time.Time         // started before
	Before   int64             // ID below this one: the next page of a list
	Limit    int               // at most so many
}

// where returns the filter as SQL.
func (f Filter) where() (string, []any) {
	conds := []string{"1"}
	var args []any
	add := func(use bool, cond string, arg any) {
		if use {
			conds = append(conds, cond)
			args = append(args, arg)
		}
	}
	add(f.Scenario != "", "scenario = ?", f.Scenario)
	add(f.DUT != "", "dut = ?", f.DUT)
	for _, tag := range append([]string{f.Tag}, f.Tags...) {
		add(tag != "", "id IN (SELECT run FROM run_tags WHERE tag = ?)", tag)
	}
	if len(f.Verdicts) > 0 {
		var words []string
		for _, v := range f.Verdicts {
			words = append(words, v.String())
		}
		conds = append(conds, "state = 'done'")
		add(true, "instr(?, ' '||verdict||' ')", " "+strings.Join(words, " ")+" ")
	}
	add(f.Text != "", `instr(lower(scenario||char(10)||dut||char(10)||bench||char(10)||reason||char(10)||
		coalesce((SELECT group_concat(tag, char(10)) FROM run_tags WHERE run = runs.id), '')), lower(?))`, f.Text)
	add(f.State != "", "state = ?", string(f.State))
	add(!f.Since.IsZero(), "started >= ?", f.Since.UnixMicro())
	add(!f.Until.IsZero(), "started < ?", f.Until.UnixMicro())
	add(f.Before > 0, "id < ?", f.Before)
	text := " WHERE " + strings.Join(conds, " AND ") + " ORDER BY id DESC"
	if f.Limit > 0 {
		text += " LIMIT " + strconv.Itoa(f.Limit)
	}
	return text, args
}

// A tag has no line break: the list of one run's tags is joined with them.
const selectRuns = `SELECT id, state, started, coalesce(ended, 0), scenario, dut, bench, tool, seed,
	verdict, reason, sum, limits_name,
	coalesce((SELECT group_concat(tag, char(10)) FROM run_tags WHERE run = runs.id), '')
	FROM runs`

// Runs lists runs, the newest first, without the texts that went into them.
func (s *Store) Runs(ctx context.Context, f Filter) ([]Run, error) {
	where, args := f.where()
	rows, err := s.db.QueryContext(ctx, selectRuns+where, args...)
	if err != nil {
		return nil, s.fault("list runs", err)
	}
	defer rows.Close()
	var runs []Run
	for rows.Next() {
		r, err := scanRun(rows)
		if err != nil {
			return nil, s.fault("list runs", err)
		}
		runs = append(runs, r)
	}
	return runs, s.fault("list runs", rows.Err())
}

// Get returns one run with the texts that went into it.
func (s *Store) Get(ctx context.Context, id int64) (Run, error) {
	doing := fmt.Sprintf("read run %d", id)
	r, err := scanRun(s.db.QueryRowContext(ctx, selectRuns+` WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return Run{}, s.notFound(doing)
	}
	if err != nil {
		return Run{}, s.fault(doing, err)
	}
	err = s.db.QueryRowContext(ctx,
		`SELECT body FROM texts JOIN runs ON limits_hash = hash WHERE id = ?`, id).Scan(&r.LimitsText)
	if err != nil {
		return Run{}, s.fault(doing, err)
	}
	if r.Sources, err = s.sources(ctx, id); err != nil {
		return Run{}, s.fault(doing, err)
	}
	return r, nil
}

func (s *Store) notFound(doing string) error {
	return &Error{Path: s.path, Doing: doing, Err: ErrNotFound, Mend: "list what there is with: drench runs"}
}

func (s *Store) sources(ctx context.Context, run int64) (map[string]Source, error) {
	rows, err := s.db.QueryContext(ctx,
		`SELECT role, name, body FROM run_sources JOIN texts USING (hash) WHERE run = ?`, run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	sources := map[string]Source{}
	for rows.Next() {
		var role string
		var src Source
		if err := rows.Scan(&role, &src.Name, &src.Text); err != nil {
			return nil, err
		}
		sources[role] = src
	}
	return sources, rows.Err()
}

type scanner interface{ Scan(dest ...any) error }

func scanRun(row scanner) (Run, error) {
	var r Run
	var started, ended int64
	var seed, word, tags string
	err := row.Scan(&r.ID, &r.State, &started, &ended, &r.Scenario, &r.DUT, &r.Bench, &r.Tool, &seed,
		&word, &r.Reason, &r.Sum, &r.LimitsName, &tags)
	if err != nil {
		return Run{}, err
	}
	r.Started = time.UnixMicro(started).UTC()
	if r.State == Done {
		r.Ended = time.UnixMicro(ended).UTC()
	}
	if tags != "" {
		r.Tags = strings.Split(tags, "\n")
		slices.Sort(r.Tags)
	}
	if r.Seed, err = strconv.ParseUint(seed, 10, 64); err != nil {
		return Run{}, fmt.Errorf("seed of run %d: %w", r.ID, err)
	}
	if r.Verdict, err = verdict.Parse(word); err != nil {
		return Run{}, fmt.Errorf("verdict of run %d: %w", r.ID, err)
	}
	return r, nil
}

// TagCount is a tag and how many runs have it.
type TagCount struct {
	Tag  string
	Runs int
}

// Tags lists all tags in use, in their order.
func (s *Store) Tags(ctx context.Context) ([]TagCount, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT tag, count(*) FROM run_tags GROUP BY tag ORDER BY tag`)
	if err != nil {
		return nil, s.fault("list tags", err)
	}
	defer rows.Close()
	var list []TagCount
	for rows.Next() {
		var t TagCount
		if err := rows.Scan(&t.Tag, &t.Runs); err != nil {
			return nil, s.fault("list tags", err)
		}
		list = append(list, t)
	}
	return list, s.fault("list tags", rows.Err())
}

// Tag gives a run these tags besides those it has.
func (s *Store) Tag(ctx context.Context, id int64, tags ...string) error {
	return s.inTx(ctx, fmt.Sprintf("tag run %d", id), func(tx *sql.Tx) error {
		if err := s.mustExist(ctx, tx, id); err != nil {
			return err
		}
		return putTags(ctx, tx, id, tags)
	})
}

// Untag takes a tag from a run; one that it hasn't is no error.
func (s *Store) Untag(ctx context.Context, id int64, tag string) error {
	return s.inTx(ctx, fmt.Sprintf("take tag %q from run %d", tag, id), func(tx *sql.Tx) error {
		if err := s.mustExist(ctx, tx, id); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM run_tags WHERE run = ? AND tag = ?`, id, tag)
		return err
	})
}

func (s *Store) mustExist(ctx context.Context, tx *sql.Tx, id int64) error {
	var found int
	err := tx.QueryRowContext(ctx, `SELECT 1 FROM runs WHERE id = ?`, id).Scan(&found)
	if errors.Is(err, sql.ErrNoRows) {
		return s.notFound(fmt.Sprintf("find run %d", id))
	}
	return err
}

func putTags(ctx context.Context, tx *sql.Tx, id int64, tags []string) error {
	for _, tag := range tags {
		if tag == "" || strings.ContainsAny(tag, "\n\r") {
			return fmt.Errorf("tag %q; expected some text on one line", tag)
		}
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO run_tags (run, tag) VALUES (?, ?)`, id, tag); err != nil {
			return err
		}
	}
	return nil
}

// putText keeps a text once and returns its SHA-256 in hexadecimal.
func putText(ctx context.Context, tx *sql.Tx, text string) (string, error) {
	sum := sha256.Sum256([]byte(text))
	hash := hex.EncodeToString(sum[:])
	_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO texts (hash, body) VALUES (?, ?)`, hash, text)
	return hash, err
}
