package main

import (
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
)

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "flatfell",
		Short: "one straight, wide picture from a row of portrait frames",
		Long: `You turned the camera on its tripod and took a row of upright photographs,
each sharing about a third with the next. flatfell finds how they lie, levels
the horizon, evens out the light, and writes one wide picture without visible
joins. If the frames do not belong together it says which and writes nothing.`,
		Example: `Plan a row with the lens of a photograph that you have:
    flatfell plan --like one-photo.jpg --cover 120deg
Join all photographs of a folder:
    flatfell stitch dunes/ -o dunes.jpg
See it work on a coast of its own making:
    flatfell demo demo-row`,
		Version:       version(),
		SilenceErrors: true, // report prints them
		SilenceUsage:  true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
				return usagef("flatfell", "there is no command %q; did you mean %s?", args[0], strings.Join(near, " or "))
			}
			return usagef("flatfell", "there is no command %q", args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := cmd.Help(); err != nil {
				return err
			}
			return usagef("flatfell", "no command given")
		},
	}
	root.SetVersionTemplate("flatfell {{.Version}}\n")
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) { printHelp(cmd) })
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return &usageError{err, cmd.CommandPath()}
	})
	root.SuggestionsMinimumDistance = 2
	root.CompletionOptions.DisableDefaultCmd = true
	root.SetHelpCommand(&cobra.Command{
		Use: "help [COMMAND]", Hidden: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			about, _, err := cmd.Root().Find(args)
			if err != nil {
				return usagef("flatfell", "there is no command %q", strings.Join(args, " "))
			}
			return about.Help()
		},
	})
	root.AddCommand(newPlan(), newSort(), newCheck(), newStack(), newStitch(), newCrop(), newPrint(), newDemo(), newBench(), newCompletion(), newMan())
	return root
}

// version is what the Go tool recorded about the build.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "(unknown version)"
	}
	v := info.Main.Version
	if v == "" {
		v = "(development)"
	}
	return v + " " + info.GoVersion
}
