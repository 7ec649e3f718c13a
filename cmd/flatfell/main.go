package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"flatfell.example/focus"
	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

// The exit statuses.
const (
	statusDone      = 0
	statusFailed    = 1
	statusUsage     = 2
	statusNotJoined = 3
	statusReshoot   = 4
)

func main() {
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

// run is the whole program but for the exit. args are those after the
// program's name.
func run(args []string, stdout, stderr io.Writer) int {
	prepareSignals()
	// Pictures are few and large, and hold no pointers: collecting garbage
	// early costs no time that shows and a fifth of the memory less.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(20)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// The first Ctrl-C asks the work to stop and tidy up. It also takes the
	// handler away, so that a second one ends the program at once.
	defer context.AfterFunc(ctx, stop)()
	return execute(ctx, args, stdout, stderr)
}

// execute is run with the signals behind ctx.
func execute(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err != nil && ctx.Err() != nil {
		err = interrupted(err)
	}
	return report(stderr, err)
}

var errInterrupted = errors.New("interrupted")

// interrupted is err when the cause is Ctrl-C: what was written stays told.
func interrupted(err error) error {
	if u, ok := errors.AsType[*unfinished](err); ok {
		return &unfinished{u.written, u.missing, errInterrupted}
	}
	return errInterrupted
}

// usageError is a wrong command line.
type usageError struct {
	err error
	// command is what to ask for help, such as "flatfell stitch".
	command string
}

func (u *usageError) Error() string { return u.err.Error() }
func (u *usageError) Unwrap() error { return u.err }

func usagef(command, format string, a ...any) error {
	return &usageError{fmt.Errorf(format, a...), command}
}

// hintedError is an error whose hint only the command knows.
type hintedError struct {
	error
	hint string
}

func (h *hintedError) Unwrap() error { return h.error }

// report tells what went wrong and returns the exit status.
func report(stderr io.Writer, err error) int {
	switch {
	case err == nil:
		return statusDone
	case errors.Is(err, errWillNotJoin): // told already: it is what was asked
		return statusNotJoined
	case errors.Is(err, errReshoot):
		return statusReshoot
	}
	status := statusFailed
	var hint string
	usage, isUsage := errors.AsType[*usageError](err)
	switch {
	case isUsage:
		status = statusUsage
		hint = usage.command + " --help shows what can be given"
	case errors.Is(err, stitch.ErrNotJoined):
		status = statusNotJoined
		hint = "photograph the gap again with a third of overlap, give the focal length with --focal-mm, " +
			"or add --allow-missing to join the largest group without the rest"
		if errors.Is(err, stitch.ErrStray) {
			hint = "leave the frame out, by hand or with --allow-missing; if it belongs to the row, photograph the gap again " +
				"with a third of overlap, or give the focal length with --focal-mm"
		}
		if _, partly := errors.AsType[*unfinished](err); !partly {
			hint = "nothing was written; " + hint
		}
	case errors.Is(err, stitch.ErrOtherSize):
		status = statusNotJoined
		hint = "name the frames of one row; flatfell stitch --allow-missing joins those of one size, if two are left"
	case errors.Is(err, focus.ErrNotOneView):
		status = statusNotJoined
		hint = "nothing was written; flatfell sort puts each bracket into a folder of its own"
	case errors.Is(err, photo.ErrExists):
		hint = "add --overwrite to replace it"
	case errors.Is(err, stitch.ErrMemory):
		hint = "nothing was written; raise --memory, or the environment's GOMEMLIMIT where that sets the limit"
	case errors.Is(err, stitch.ErrSurface):
		hint = "--surface cylinder holds a row of any width"
	}
	if h, ok := errors.AsType[*hintedError](err); ok {
		hint = h.hint
	}
	fmt.Fprintf(stderr, "flatfell: error: %s\n", plain(err))
	if hint != "" {
		fmt.Fprintf(stderr, "flatfell: hint: %s\n", hint)
	}
	return status
}

// plain is the text of err on one line, without a full stop and without the
// name of the package that an embedder would want to see.
func plain(err error) string {
	s := strings.TrimPrefix(strings.TrimPrefix(err.Error(), "stitch: "), "focus: ")
	return strings.TrimSuffix(strings.ReplaceAll(s, "\n", "; "), ".")
}
