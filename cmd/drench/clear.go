package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"drench/results/store"
	"drench/rig/config"

	"github.com/spf13/cobra"
)

func newClear() *cobra.Command {
	var by, note string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "clear [--by NAME [--note TEXT]]",
		Short: "List the trips that stop a bench; with --by, clear them once somebody has looked at it",
		Long: "List the trips that stop a bench; with --by, clear them once somebody has looked at it. Who cleared what,\n" +
			"and when, stays in the store for good. --rig picks one bench, where several have open trips.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			clearing := cmd.Flags().Changed("by")
			switch {
			case clearing && strings.TrimSpace(by) == "":
				return errors.New("--by names nobody; expected who looked at the bench")
			case !clearing && note != "":
				return errors.New("--note without --by; expected --by with who looked at the bench")
			}
			bench, err := benchNamed(cmd)
			if err != nil {
				return err
			}
			st, err := openStore(cmd)
			if err != nil {
				return err
			}
			defer st.Close()
			trips, err := st.Trips(cmd.Context(), bench, true)
			if err != nil {
				return &benchError{err}
			}
			if clearing {
				if trips, err = clearTrips(cmd.Context(), st, trips, by, note); err != nil {
					return err
				}
			}
			return printTrips(cmd.OutOrStdout(), trips, asJSON)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&by, "by", "", "who looked at the bench and clears its trips")
	fl.StringVar(&note, "note", "", "what was found and done")
	fl.BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// benchNamed is the name of the bench that --rig or the settings name, "" if
// none is.
func benchNamed(cmd *cobra.Command) (string, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil || set.Rig == "" {
		return "", err
	}
	b, err := readBench(set.Rig)
	if err != nil {
		return "", err
	}
	return b.rig.Name, nil
}

// clearTrips clears open trips of one bench and returns them as they are then.
func clearTrips(ctx context.Context, st *store.Store, trips []store.Trip, by, note string) ([]store.Trip, error) {
	benches := map[string]bool{}
	cleared := map[int64]bool{}
	for _, t := range trips {
		benches[t.Bench] = true
		cleared[t.ID] = true
	}
	if len(benches) > 1 {
		return nil, fmt.Errorf("several benches have open trips: %s; expected --rig FILE of the one that was looked at",
			strings.Join(slices.Sorted(maps.Keys(benches)), ", "))
	}
	for _, t := range trips {
		if err := st.ClearTrip(ctx, t.ID, by, note); err != nil {
			return nil, &benchError{err}
		}
	}
	all, err := st.Trips(ctx, "", false)
	if err != nil {
		return nil, &benchError{err}
	}
	return slices.DeleteFunc(all, func(t store.Trip) bool { return !cleared[t.ID] }), nil
}

// tripRow is a trip as JSON shows it.
type tripRow struct {
	ID        int64     `json:"trip"`
	At        time.Time `json:"at"`
	Bench     string    `json:"bench"`
	Run       int64     `json:"run,omitempty"`
	Reason    string    `json:"reason"`
	ClearedAt time.Time `json:"cleared_at,omitzero"`
	ClearedBy string    `json:"cleared_by,omitempty"`
	Note      string    `json:"note,omitempty"`
}

func printTrips(w io.Writer, trips []store.Trip, asJSON bool) error {
	if asJSON {
		rows := make([]tripRow, len(trips))
		for i, t := range trips {
			rows[i] = tripRow(t)
		}
		return printJSON(w, rows)
	}
	if len(trips) == 0 {
		_, err := fmt.Fprintln(w, "no open trips")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, trip := range trips {
		word := "open"
		if !trip.Open() {
			word = "cleared by " + trip.ClearedBy
		}
		fmt.Fprintf(t, "trip %d\t%s\t%s\t%s\n", trip.ID, trip.Bench, word, tripText(trip))
	}
	return t.Flush()
}
