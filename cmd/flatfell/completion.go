package main

import (
	"strings"

	"github.com/spf13/cobra"
)

var shells = []string{"bash", "zsh", "fish", "powershell"}

func newCompletion() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "completion SHELL",
		Short: "print a script that completes commands in your shell",
		Long:  "SHELL is " + strings.Join(shells, ", ") + ". Store the script where your shell looks for completions.",
		Example: `For bash, on Linux:
    flatfell completion bash > ~/.local/share/bash-completion/completions/flatfell`,
		ValidArgs: shells,
		Args:      exactlyOne("flatfell completion", "a shell: "+strings.Join(shells, ", ")),
		RunE: func(cmd *cobra.Command, args []string) error {
			root, w := cmd.Root(), cmd.OutOrStdout()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(w, true)
			case "zsh":
				return root.GenZshCompletion(w)
			case "fish":
				return root.GenFishCompletion(w, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(w)
			}
			return usagef("flatfell completion", "there is no completion for %q; give one of %s", args[0], strings.Join(shells, ", "))
		},
	}
	addGroups(cmd)
	return cmd
}

// exactlyOne checks that a command got one argument, which is called what.
func exactlyOne(command, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) != 1 {
			return usagef(command, "give %s", what)
		}
		return nil
	}
}
