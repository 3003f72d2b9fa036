package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"
)

func newSafe() *cobra.Command {
	return &cobra.Command{
		Use:   "safe",
		Short: "Set all outputs of a bench safe, and nothing else",
		Long: "Set all outputs of a bench safe, and nothing else: for after a crash. A bench that another process has is left\n" +
			"to that process.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b, err := loadBench(cmd, "")
			if err != nil {
				return err
			}
			if err := b.safely(cmd.Context(), b.data); err != nil {
				return &benchError{err}
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "bench %s: all outputs are safe\n", b.rig.Name)
			return err
		},
	}
}

// safely makes a bench safe that nobody else has.
func (b *bench) safely(ctx context.Context, folder string) error {
	mine, err := takeBench(folder, b)
	if err != nil {
		return err
	}
	return errors.Join(b.makeSafe(ctx), mine.release())
}
