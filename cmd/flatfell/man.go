package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
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
			return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "flatfell"}, args[0])
		},
	}
	addGroups(cmd)
	return cmd
}
