//go:build unix

package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

var kills = flag.Int("kills", 5, "how often TestKilled kills a run")

// command is a run of flatfell of its own; what it needs beside the output lies
// in a folder of ours.
func command(temp string, args ...string) *exec.Cmd {
	cmd := exec.Command("flatfell", args...)
	cmd.Env = append(os.Environ(), "TMPDIR="+temp)
	return cmd
}

// TestKilled kills runs, as by a lost battery, at random moments: the output is
// the old one or the new one whole, and the next run tidies up.
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the whole job many times")
	}
	frames, dir, temp := rowOfTwo(t), t.TempDir(), t.TempDir()
	out := filepath.Join(dir, "row.png")
	// The limit makes the run keep parts in a file beside the output.
	args := func(shape string) []string {
		return []string{"stitch", frames, "-o", out, "--overwrite", "--quiet", "--crop", shape, "--memory", "24MiB"}
	}
	shapes := []string{"inside", "3:1"}
	var whole [2][]byte
	var took time.Duration
	for k, shape := range shapes {
		start := time.Now()
		if msg, err := command(temp, args(shape)...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, msg)
		}
		took = time.Since(start)
		whole[k] = read(t, out)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	old, fresh, begun := 0, 0, 0
	for k := range *kills {
		before, there := read(t, out), names(t, dir)
		want := 0
		if bytes.Equal(before, whole[0]) {
			want = 1
		}
		cmd := command(temp, args(shapes[want])...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if k%3 == 0 {
			time.Sleep(time.Duration(rng.Float64() * 1.1 * float64(took)))
		} else { // while the output is written, which takes some milliseconds
			for start := time.Now(); !newIn(t, dir, there) && time.Since(start) < 2*took; {
				time.Sleep(200 * time.Microsecond)
			}
			time.Sleep(time.Duration(rng.Float64() * float64(8*time.Millisecond)))
		}
		if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
			t.Log(err) // it was done
		}
		_ = cmd.Wait()
		if newIn(t, dir, there) {
			begun++
		}
		switch now := read(t, out); {
		case bytes.Equal(now, whole[want]):
			fresh++
		case bytes.Equal(now, before):
			old++
		default:
			t.Fatalf("kill %d: the output has %d bytes and is neither the old one nor the new one", k, len(now))
		}
	}
	t.Logf("killed %d times; %d times a part was left beside the output: %d times the old output, %d times the new one", *kills, begun, old, fresh)
	if begun == 0 {
		t.Error("no kill fell into the writing: the test shows nothing of it")
	}
	if msg, err := command(temp, args("inside")...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, msg)
	}
	if !bytes.Equal(read(t, out), whole[0]) {
		t.Error("the run after the kills writes other bytes than the one before")
	}
	wantEntries(t, dir, "row.png")
	wantEntries(t, temp)
}

// names lists a folder.
func names(t *testing.T, dir string) (out []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// newIn reports whether a folder has a file that was not there.
func newIn(t *testing.T, dir string, there []string) bool {
	t.Helper()
	return slices.ContainsFunc(names(t, dir), func(name string) bool { return !slices.Contains(there, name) })
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestTwoAtOnce lets two runs write one output at once: it is that of one of them,
// whole, and without --overwrite only one of them can say that it wrote it.
func TestTwoAtOnce(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the whole job many times")
	}
	frames := rowOfTwo(t)
	for _, overwrite := range []bool{false, true} {
		dir, temp := t.TempDir(), t.TempDir()
		out := filepath.Join(dir, "row.png")
		shapes := []string{"inside", "3:1"}
		var cmds [2]*exec.Cmd
		var said [2]bytes.Buffer
		for k, shape := range shapes {
			cmds[k] = command(temp, "stitch", frames, "-o", out, "--quiet", "--crop", shape, fmt.Sprintf("--overwrite=%t", overwrite))
			cmds[k].Stderr = &said[k]
			if err := cmds[k].Start(); err != nil {
				t.Fatal(err)
			}
		}
		done := 0
		for k := range cmds {
			err := cmds[k].Wait()
			switch {
			case err == nil:
				done++
			case overwrite, !strings.Contains(said[k].String(), "row.png: is there already"):
				t.Errorf("%v: %s", err, &said[k])
			}
		}
		if want := map[bool]int{false: 1, true: 2}[overwrite]; done != want {
			t.Errorf("with overwrite %t, %d runs say that they wrote the output, want %d", overwrite, done, want)
		}
		wantEntries(t, dir, "row.png")
		got := read(t, out)
		one := 0
		for k, shape := range shapes {
			alone := filepath.Join(t.TempDir(), fmt.Sprintf("%d.png", k))
			if msg, err := command(temp, "stitch", frames, "-o", alone, "--quiet", "--crop", shape).CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, msg)
			}
			if bytes.Equal(read(t, alone), got) {
				one++
			}
		}
		if one != 1 {
			t.Errorf("with overwrite %t, the output is that of neither run alone", overwrite)
		}
	}
}

// TestNothingStaysBehind: a run that is done, or stopped in any of its stages,
// leaves no goroutine and no open file.
func TestNothingStaysBehind(t *testing.T) {
	if _, err := os.Stat("/proc/self/fd"); err != nil {
		t.Skip("this system does not list open files")
	}
	frames := rowOfTwo(t)
	count := func() (goroutines, files int) {
		entries, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		return runtime.NumGoroutine(), len(entries)
	}
	once := func(stage string) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var stdout bytes.Buffer
		stderr := &canceller{stage: stage, cancel: cancel}
		status := execute(ctx, []string{"stitch", frames, "-o", filepath.Join(t.TempDir(), "row.png"), "--memory", "24MiB"}, &stdout, stderr)
		if want := map[bool]int{true: statusDone, false: statusFailed}[stage == ""]; status != want {
			t.Fatalf("stopped at %q: status %d, %s", stage, status, &stderr.Buffer)
		}
	}
	once("") // what a first run sets up for good
	goroutines, files := count()
	stages := []string{""}
	for _, s := range stitchStages {
		stages = append(stages, s.words)
	}
	if testing.Short() {
		stages = []string{"", stages[1], stages[len(stages)-1]}
	}
	for _, stage := range stages {
		once(stage)
		g, f := count()
		for wait := time.Millisecond; (g > goroutines || f > files) && wait < 3*time.Second; wait *= 2 {
			time.Sleep(wait)
			g, f = count()
		}
		if g > goroutines || f > files {
			t.Errorf("stopped at %q: %d goroutines and %d open files, %d and %d before", stage, g, f, goroutines, files)
		}
	}
}

// canceller is a standard error that stops a run when a line names a stage.
type canceller struct {
	bytes.Buffer
	stage  string
	cancel func()
}

func (c *canceller) Write(p []byte) (int, error) {
	if c.stage != "" && strings.HasPrefix(string(p), "flatfell: "+c.stage) {
		c.cancel()
	}
	return c.Buffer.Write(p)
}
