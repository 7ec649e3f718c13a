//go:build unix

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// interrupter is a standard error that presses Ctrl-C when a line begins with
// trigger.
type interrupter struct {
	bytes.Buffer
	trigger string
}

func (i *interrupter) Write(p []byte) (int, error) {
	if i.trigger != "" && strings.HasPrefix(string(p), i.trigger) {
		i.trigger = ""
		if err := syscall.Kill(os.Getpid(), syscall.SIGINT); err != nil {
			return 0, err
		}
	}
	return i.Buffer.Write(p)
}

// TestInterrupt interrupts a run as each of its stages begins: it ends with
// status 1 and a word, and leaves no file.
func TestInterrupt(t *testing.T) {
	frames := rowOfTwo(t)
	for _, s := range stitchStages {
		t.Run(s.name, func(t *testing.T) {
			if testing.Short() && !slices.Contains([]string{"find corners", "write"}, s.name) {
				t.Skip("each stage joins the row anew up to itself")
			}
			out := t.TempDir()
			var stdout bytes.Buffer
			stderr := &interrupter{trigger: "flatfell: " + s.words}
			status := run([]string{
				"stitch", frames, "-o", filepath.Join(out, "row.png"),
				"--solution", filepath.Join(out, "row.json"), "--preview", filepath.Join(out, "row.jpg"),
			}, &stdout, stderr)
			if status != statusFailed || !strings.HasSuffix(stderr.String(), "flatfell: error: interrupted\n") || stdout.Len() > 0 {
				t.Errorf("status %d, stdout %q, stderr %q", status, &stdout, stderr)
			}
			wantEntries(t, out)
		})
	}
}
