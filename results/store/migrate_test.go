package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// kept is a file that the drench of an earlier version made, with real runs.
func kept(version int) string { return fmt.Sprintf("testdata/v%d.db", version) }

// TestMigrate brings a kept file of each earlier version up to date: every row
// stays as it is, and every timeline is still that of its sum.
func TestMigrate(t *testing.T) {
	for version := 1; version < len(migrations); version++ {
		t.Run(fmt.Sprint(version), func(t *testing.T) {
			b, err := os.ReadFile(kept(version))
			if err != nil {
				t.Fatalf("%v; DEVELOPERS.md says how to make it", err)
			}
			path := filepath.Join(t.TempDir(), "drench.db")
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
			before := dump(t, path, version, nil)
			s := open(t, path)
			after := dump(t, path, len(migrations), before)
			for table, want := range before {
				if got := after[table]; !slices.Equal(got.rows, want.rows) {
					t.Errorf("%s changed from\n%s\nto\n%s", table, strings.Join(want.rows, "\n"), strings.Join(got.rows, "\n"))
				}
			}
			wantSound(t, s)
			wantSums(t, s)
			record(t, s, exampleRun(), 20) // and it takes more
		})
	}
}

// wantSums holds every timeline against the sum that was kept of it.
func wantSums(t *testing.T, s *Store) {
	t.Helper()
	runs, err := s.Runs(t.Context(), Filter{})
	if err != nil || len(runs) < 3 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	for _, r := range runs {
		sum := sha256.New()
		n, err := io.Copy(sum, s.Timeline(t.Context(), r.ID))
		if got := hex.EncodeToString(sum.Sum(nil)); err != nil || n == 0 || got != r.Sum {
			t.Errorf("run %d: sum of %d bytes is %s, kept %s, %v", r.ID, n, got, r.Sum, err)
		}
		list, err := s.Judgements(t.Context(), r.ID)
		interrupted := strings.HasPrefix(r.Reason, "interrupted")
		if err != nil || len(list) == 0 && !interrupted {
			t.Errorf("run %d has %d judgements, %v", r.ID, len(list), err)
		}
		if _, err := s.Get(t.Context(), r.ID); err != nil {
			t.Error(err)
		}
	}
}

// content is what a table holds.
type content struct{ columns, rows []string }

// dump reads a file with plain SQL: all its tables, or those columns that
// another dump has.
func dump(t *testing.T, path string, version int, only map[string]content) map[string]content {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var found int
	if err := db.QueryRow(`PRAGMA user_version`).Scan(&found); err != nil || found != version {
		t.Fatalf("version %d, %v; want %d", found, err, version)
	}
	if only == nil {
		only = map[string]content{}
		for _, table := range texts(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`) {
			only[table] = content{columns: texts(t, db, `SELECT name FROM pragma_table_info('`+table+`')`)}
		}
	}
	all := map[string]content{}
	for table, c := range only {
		rows := texts(t, db, `SELECT quote(`+strings.Join(c.columns, `)||' '||quote(`)+`) FROM `+table+` ORDER BY 1`)
		all[table] = content{c.columns, rows}
	}
	return all
}

func texts(t *testing.T, db *sql.DB, query string) []string {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var list []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		list = append(list, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return list
}
