package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// FuzzPlan: whatever the command line of flatfell plan, one word a line, it ends
// with a plan in JSON or with one message; nothing is read or written.
func FuzzPlan(f *testing.F) {
	for _, s := range []string{
		"--focal 23mm --sensor 23.5x15.6 --pixels 6240x4160 --cover 120deg",
		"--focal 23 --sensor 36x24 --pixels 6000x4000 --frames 4 --overlap 1/3 --shape 5:2 --stops 24",
		"--focal 2,3cm --sensor 23.5x15.6 --pixels 6240x4160 --cover 360 --aperture f/11 --near 80cm --bracket --shutter 1/125 --filter ND64 --filter polariser",
		"--focal 1e308 --sensor 1e-308x1 --pixels 1x65535 --print 1000 --blur 1px --turning 1e9 --timer 1",
	} {
		f.Add(strings.ReplaceAll(s, " ", "\n"))
	}
	f.Fuzz(func(t *testing.T, line string) {
		words := strings.Split(line, "\n")
		for _, w := range words {
			for _, files := range []string{"--like", "--card", "--kit", "--save-kit"} {
				if strings.HasPrefix(w, files) {
					t.Skip("reads or writes files")
				}
			}
		}
		var stdout, stderr bytes.Buffer
		status := execute(t.Context(), append([]string{"plan", "--json"}, words...), &stdout, &stderr)
		switch {
		case status == statusDone && stderr.Len() == 0:
			if !json.Valid(stdout.Bytes()) && !strings.Contains(stdout.String(), "To call it:") {
				t.Fatalf("%q gives\n%s", words, &stdout)
			}
		case status != statusFailed && status != statusUsage, !strings.HasPrefix(stderr.String(), "flatfell: error: "):
			t.Fatalf("%q: status %d, %s", words, status, &stderr)
		}
	})
}

// FuzzOptions: whatever the value of whatever option, it is refused, or it
// reads the same once written.
func FuzzOptions(f *testing.F) {
	for _, s := range []string{
		"stitch crop 5:2", "stitch level -0.4,3", "stitch keep a:b.jpg:40,55,12", "stitch sensor 23.5×15.6mm", "stitch memory 2GiB", "stitch bits 16",
		"stitch surface pannini", "stitch focal-mm 23", "stitch seed 7", "plan cover 120°", "plan filter ND64", "plan pixels 6240x4160", "plan shutter 1/125s",
		"check overlap 33", "plan print 1m", "plan shape 5:2", "sort how copy",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		command, rest, _ := strings.Cut(s, " ")
		option, value, _ := strings.Cut(rest, " ")
		flag := func() *pflag.Flag {
			cmd, _, err := newRoot().Find([]string{command})
			if err != nil {
				t.Skip("no such command")
			}
			return cmd.Flags().Lookup(option)
		}
		one, two := flag(), flag()
		if one == nil || strings.HasSuffix(one.Value.Type(), "Array") {
			t.Skip("no such option")
		}
		if err := one.Value.Set(value); err != nil {
			if strings.TrimSpace(err.Error()) == "" {
				t.Fatalf("%s --%s %q: an empty message", command, option, value)
			}
			return
		}
		text := one.Value.String()
		if text == "" || option == "keep" || option == "filter" { // not given, or a list
			return
		}
		if err := two.Value.Set(text); err != nil || two.Value.String() != text {
			t.Fatalf("%s --%s %q is written %q, and that reads %q, %v", command, option, value, text, two.Value.String(), err)
		}
	})
}

// FuzzKits: whatever a file of kits holds, it is read as kits of known options,
// or the error names the file and the line.
func FuzzKits(f *testing.F) {
	f.Add("[dune 23]\nfocal = 23mm\nsensor = 23.5x15.6 # half\n\n[b]\npixels=6240x4160\n")
	f.Add("focal = 1")
	f.Add("[x")
	f.Fuzz(func(t *testing.T, text string) {
		path := filepath.Join(t.TempDir(), "kits.conf")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		kits, err := readKits(path)
		if err != nil {
			if !strings.HasPrefix(err.Error(), path+": ") {
				t.Fatalf("the error %q doesn't begin with the file", err)
			}
			return
		}
		for _, k := range kits {
			if k.name == "" || strings.Contains(k.name, "\n") {
				t.Fatalf("a kit is called %q", k.name)
			}
		}
	})
}
