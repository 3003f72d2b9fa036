package main

import (
	"fmt"
	"path/filepath"
	"text/tabwriter"
	"time"

	"drench/rig/config"
	"drench/rig/daemon/access"

	"github.com/spf13/cobra"
)

func newToken() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "token",
		Short: "Make, list and revoke the tokens by which a daemon knows people and programs",
	}
	cmd.AddCommand(newTokenAdd(), newTokenList(), newTokenRevoke())
	return cmd
}

// tokens are those of the store's folder.
func tokens(cmd *cobra.Command) (*access.File, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil {
		return nil, err
	}
	return access.NewFile(filepath.Join(set.Data, tokensFile)), nil
}

func newTokenAdd() *cobra.Command {
	var word string
	cmd := &cobra.Command{
		Use:   "add NAME --role viewer|operator|engineer",
		Short: "Make a token and print it, this once",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			role, err := access.ParseRole(word)
			if err != nil {
				return err
			}
			t, secret, err := access.Issue(args[0], role, time.Now())
			if err != nil {
				return err
			}
			file, err := tokens(cmd)
			if err != nil {
				return err
			}
			if err := file.Add(cmd.Context(), t); err != nil {
				return err
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), secret)
			return err
		},
	}
	cmd.Flags().StringVar(&word, "role", "", "viewer looks on and may stop, operator runs what there is, engineer changes it")
	_ = cmd.MarkFlagRequired("role") // it exists
	return cmd
}

func newTokenList() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List whose tokens there are",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			file, err := tokens(cmd)
			if err != nil {
				return err
			}
			list, err := file.Tokens(cmd.Context())
			if err != nil {
				return err
			}
			w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, t := range list {
				fmt.Fprintf(w, "%s\t%v\t%s\n", t.Name, t.Role, t.Made.Format("2006-01-02 15:04 UTC"))
			}
			return w.Flush()
		},
	}
}

func newTokenRevoke() *cobra.Command {
	return &cobra.Command{
		Use:   "revoke NAME",
		Short: "Make a token worth nothing, at once",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			file, err := tokens(cmd)
			if err != nil {
				return err
			}
			return file.Revoke(cmd.Context(), args[0])
		},
	}
}
