package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"
)

// kitOptions are the options of flatfell plan that a kit may hold: what belongs
// to the gear, not to the view.
var kitOptions = []string{
	"focal", "sensor", "pixels", "orientation", "overlap", "stops", "aperture", "blur", "pupil-offset", "timer", "turning", "filter",
}

// cameraOptions are those of them that a sample photograph overrides.
var cameraOptions = []string{"focal", "sensor", "pixels", "orientation"}

// kitsPath is where the kits are kept, in the user's configuration folder.
func kitsPath() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("there is no folder for the kits (%w); give the camera with --focal, --sensor and --pixels", err)
	}
	return filepath.Join(dir, "flatfell", "kits.conf"), nil
}

// kit is a named set of options.
type kit struct {
	name    string
	options []kitOption
}

type kitOption struct {
	name, value string
	line        int
}

// readKits reads a file of kits: a name in brackets, then a line "option =
// value" for each option; # starts a comment.
func readKits(path string) (kits []kit, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		line, _, _ := strings.Cut(lines.Text(), "#")
		line = strings.TrimSpace(line)
		switch name, isName := strings.CutPrefix(line, "["); {
		case line == "":
		case isName:
			name, ok := strings.CutSuffix(name, "]")
			if name = strings.TrimSpace(name); !ok || name == "" {
				return nil, fmt.Errorf("%s: line %d: a kit begins with its name in brackets, such as [dune 23]", path, n)
			}
			kits = append(kits, kit{name: name})
		default:
			option, value, ok := strings.Cut(line, "=")
			option = strings.TrimSpace(option)
			if !ok || len(kits) == 0 || !slices.Contains(kitOptions, option) {
				return nil, fmt.Errorf("%s: line %d: after a kit's name, write lines such as focal = 23mm; there may be %s", path, n, strings.Join(kitOptions, ", "))
			}
			k := &kits[len(kits)-1]
			k.options = append(k.options, kitOption{option, strings.TrimSpace(value), n})
		}
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	return kits, nil
}

// useKit sets the options of a kit that the command line leaves open, and returns
// the others. skip are options that something else decides.
func useKit(flags *pflag.FlagSet, name string, skip []string) (left []kitOption, err error) {
	const command = "flatfell plan"
	path, err := kitsPath()
	if err != nil {
		return nil, err
	}
	kits, err := readKits(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, usagef(command, "there are no kits yet: write them into %s, a name in brackets and below it lines such as focal = 23mm, sensor = 23.5x15.6, pixels = 6240x4160", path)
	case err != nil:
		return nil, err
	}
	at := slices.IndexFunc(kits, func(k kit) bool { return strings.EqualFold(k.name, name) })
	if at < 0 {
		var names []string
		for _, k := range kits {
			names = append(names, k.name)
		}
		return nil, usagef(command, "there is no kit %q in %s; there are: %s", name, path, strings.Join(names, ", "))
	}
	for _, o := range kits[at].options {
		if flags.Changed(o.name) || slices.Contains(skip, o.name) {
			left = append(left, o)
			continue
		}
		if err := flags.Lookup(o.name).Value.Set(o.value); err != nil {
			return nil, fmt.Errorf("%s: line %d: %s = %s: %w", path, o.line, o.name, o.value, err)
		}
	}
	return left, nil
}

// kitName is what a plan with a kit is called: by its name as long as the camera
// is the kit's own. left are the kit's options that did not count.
func (p *planCommand) kitName(left []kitOption) string {
	var other []string
	for _, o := range left {
		switch o.name {
		case "focal":
			if f := (quantityFlag{kind: focalQuantity}); f.Set(o.value) != nil || f.value != p.focal.value {
				other = append(other, "another focal length")
			}
		case "sensor":
			if f := (sensorFlag{}); f.Set(o.value) != nil || f != p.sensor {
				other = append(other, "another sensor")
			}
		case "pixels":
			if f := (pixelsFlag{}); f.Set(o.value) != nil || f != p.pixels {
				other = append(other, "other pixels")
			}
		}
	}
	switch {
	case len(other) == 0:
		return p.kit
	case p.like != "":
		return p.kit + ", with the camera of " + filepath.Base(p.like)
	}
	return p.kit + ", with " + strings.Join(other, " and ")
}
