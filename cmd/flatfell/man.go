package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"flatfell.example/internal/photo"
)

func newMan() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "man DIR",
		Short: "write the manual pages into a folder",
		Long:  "DIR is created if it is not there. One page a command is written, for the reader of manual pages.",
		Example: `Read the page about joining:
    flatfell man pages && man pages/flatfell-stitch.1`,
		Args: exactlyOne("flatfell man", "the folder for the pages"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := os.MkdirAll(args[0], 0o777); err != nil {
				return fmt.Errorf("%s: cannot be created (%w)", args[0], plainPathError(err))
			}
			root := cmd.Root()
			root.DisableAutoGenTag = true // the same pages from the same program
			return writePages(cmd.Context(), root, args[0])
		},
	}
	addGroups(cmd)
	return cmd
}

// writePages writes the page of cmd and of what is below it into dir,
// replacing those of an earlier time.
func writePages(ctx context.Context, cmd *cobra.Command, dir string) error {
	for _, sub := range cmd.Commands() {
		if !sub.IsAvailableCommand() {
			continue
		}
		if err := writePages(ctx, sub, dir); err != nil {
			return err
		}
	}
	var page bytes.Buffer
	if err := doc.GenMan(cmd, &doc.GenManHeader{Section: "1", Source: "flatfell"}, &page); err != nil {
		return err
	}
	name := strings.ReplaceAll(cmd.CommandPath(), " ", "-") + ".1"
	return photo.WriteWhole(ctx, filepath.Join(dir, name), true, &page)
}
