package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// helpWidth is where the lines of the help wrap, in characters.
const helpWidth = 80

// flagGroup is a set of options under one heading of the help.
type flagGroup struct {
	title string
	*pflag.FlagSet
}

func newGroup(title string) flagGroup {
	f := flagGroup{title, pflag.NewFlagSet(title, pflag.ContinueOnError)}
	f.SortFlags = false
	return f
}

// addGroups gives a command its options, and a help that lists them by group.
func addGroups(cmd *cobra.Command, groups ...flagGroup) {
	cmd.DisableFlagsInUseLine = true
	cmd.Flags().SortFlags = false
	for _, g := range groups {
		cmd.Flags().AddFlagSet(g.FlagSet)
	}
	cmd.SetHelpFunc(func(cmd *cobra.Command, _ []string) {
		printHelp(cmd)
		for _, g := range groups {
			fmt.Fprintf(cmd.OutOrStdout(), "\n%s:\n%s\n", g.title, strings.TrimRight(g.FlagUsagesWrapped(helpWidth), "\n"))
		}
	})
}

// printHelp writes the help of a command without its options: what it does,
// examples first, how it is called.
func printHelp(cmd *cobra.Command) {
	w := cmd.OutOrStdout()
	fmt.Fprintf(w, "%s: %s\n", cmd.CommandPath(), cmd.Short)
	if cmd.HasExample() {
		fmt.Fprintf(w, "\n%s\n", cmd.Example)
	}
	if cmd.Long != "" {
		fmt.Fprintf(w, "\n%s\n", cmd.Long)
	}
	if !cmd.HasAvailableSubCommands() {
		fmt.Fprintf(w, "\nTo call it:\n  %s\n", cmd.UseLine())
		return
	}
	fmt.Fprint(w, "\nWhat it can do:\n")
	for _, sub := range cmd.Commands() {
		if sub.IsAvailableCommand() {
			fmt.Fprintf(w, "  %-12s%s\n", sub.Name(), sub.Short)
		}
	}
	fmt.Fprintf(w, "\n%s COMMAND --help says more about one.\n", cmd.CommandPath())
}
