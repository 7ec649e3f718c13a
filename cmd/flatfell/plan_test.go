package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"flatfell.example/internal/shareddata"
	"flatfell.example/plan"
)

// planned runs flatfell plan.
func planned(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(append([]string{"plan"}, args...), &out, &errs)
	return status, out.String(), errs.String()
}

// taggedPhoto writes a JPEG of 60 × 40 pixels with an Exif block of rationals
// and short numbers.
func taggedPhoto(t *testing.T, rationals map[uint16][2]uint32, shorts map[uint16]uint16) string {
	t.Helper()
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewRGBA(image.Rect(0, 0, 60, 40)), nil); err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	// The main directory has one field, which leads to the Exif directory.
	block := le.AppendUint32([]byte("II*\x00"), 8)
	block = le.AppendUint16(block, 1)
	block = le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(block, 0x8769), 4), 1), 26)
	block = le.AppendUint32(block, 0)
	n := len(rationals) + len(shorts)
	extraAt := uint32(26 + 2 + 12*n + 4)
	var extra []byte
	block = le.AppendUint16(block, uint16(n))
	for tag := uint16(0x8000); tag < 0xb000; tag++ { // in rising order
		if v, ok := shorts[tag]; ok {
			block = le.AppendUint32(le.AppendUint16(le.AppendUint16(block, tag), 3), 1)
			block = le.AppendUint32(block, uint32(v))
		}
		if v, ok := rationals[tag]; ok {
			block = le.AppendUint32(le.AppendUint16(le.AppendUint16(block, tag), 5), 1)
			block = le.AppendUint32(block, extraAt+uint32(len(extra)))
			extra = le.AppendUint32(le.AppendUint32(extra, v[0]), v[1])
		}
	}
	block = append(le.AppendUint32(block, 0), extra...)
	size := len(block) + 8
	file := append([]byte{0xff, 0xd8, 0xff, 0xe1, byte(size >> 8), byte(size), 'E', 'x', 'i', 'f', 0, 0}, block...)
	path := filepath.Join(t.TempDir(), "one.jpg")
	if err := os.WriteFile(path, append(file, pic.Bytes()[2:]...), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

const (
	tagExposure, tagFNumber, tagISO, tagFocal, tag35MM = 0x829a, 0x829d, 0x8827, 0x920a, 0xa405
)

// TestPlanLike: what a photograph tells, and what is asked for if it doesn't.
func TestPlanLike(t *testing.T) {
	lens := map[uint16][2]uint32{tagFocal: {23, 1}}
	all := map[uint16][2]uint32{tagFocal: {23, 1}, tagFNumber: {11, 1}, tagExposure: {1, 125}}
	for _, tt := range []struct {
		name      string
		rationals map[uint16][2]uint32
		shorts    map[uint16]uint16
		args      []string
		status    int
		want      []string // of the output or the error
	}{
		{"all", all, map[uint16]uint16{tag35MM: 35, tagISO: 200}, nil, statusDone, []string{
			"Camera    23 mm (35 mm equivalent)", "held upright", "40 × 60 px", "Focus     f/11", "1/125 s (EV 13.", "From one.jpg: f/11, 1/125 s, ISO 200.",
		}},
		{"options first", all, map[uint16]uint16{tag35MM: 35}, []string{"--aperture", "f/8", "--shutter", "1/30", "--orientation", "landscape", "--pixels", "6240x4160"}, statusDone, []string{
			"held across", "6240 × 4160 px", "Focus     f/8", "Time      1/30 s",
		}},
		{"another lens", lens, map[uint16]uint16{tag35MM: 35}, []string{"--focal", "46mm"}, statusDone, []string{"46 mm (70 mm equivalent)"}},
		{"a telephone", nil, map[uint16]uint16{tag35MM: 26}, nil, statusDone, []string{"26 mm (26 mm equivalent)", "tells the 35 mm equivalent only"}},
		{"sensor unknown", lens, nil, nil, statusUsage, []string{"does not say how large the camera's sensor is; add --sensor"}},
		{"sensor given", lens, nil, []string{"--sensor", "23.5x15.6"}, statusDone, []string{"23 mm (35.3 mm equivalent)"}},
		{"nothing", nil, map[uint16]uint16{tagISO: 100}, nil, statusUsage, []string{"does not say which lens took it; add --focal and --sensor"}},
		{"all given", nil, map[uint16]uint16{tagISO: 100}, []string{"--focal", "23mm", "--sensor", "23.5x15.6"}, statusDone, []string{"23 mm (35.3 mm equivalent)"}},
	} {
		path := taggedPhoto(t, tt.rationals, tt.shorts)
		status, stdout, stderr := planned(t, append([]string{"--like", path, "--cover", "120deg"}, tt.args...)...)
		if status != tt.status {
			t.Errorf("%s: status %d, %s", tt.name, status, stderr)
		}
		for _, want := range tt.want {
			if !strings.Contains(stdout+stderr, want) {
				t.Errorf("%s: no %q in\n%s%s", tt.name, want, stdout, stderr)
			}
		}
	}
	if status, _, stderr := planned(t, "--like", "none.jpg", "--cover", "120deg"); status != statusFailed || !strings.Contains(stderr, "none.jpg") {
		t.Errorf("a photograph that is not there: status %d, %s", status, stderr)
	}
	path := taggedPhoto(t, all, map[uint16]uint16{tag35MM: 35})
	if status, _, stderr := planned(t, "--like", path, "--cover", "120deg", "--card", path, "--overwrite"); status != statusUsage {
		t.Errorf("a card over the photograph: status %d, %s", status, stderr)
	}
}

// TestPlanKitLike: a card is not called by a kit whose camera a photograph
// replaces.
func TestPlanKitLike(t *testing.T) {
	config := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", config)
	path, err := kitsPath()
	if err != nil || !strings.HasPrefix(path, config) {
		t.Skip("the folder of the kits is another one here")
	}
	if err := os.Mkdir(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("[dune 23]\nfocal = 23mm\nstops = 24\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	card := filepath.Join(t.TempDir(), "card.txt")
	like := taggedPhoto(t, map[uint16][2]uint32{tagFocal: {23, 1}}, map[uint16]uint16{tag35MM: 35})
	status, _, stderr := planned(t, "--like", like, "--kit", "dune 23", "--cover", "120deg", "--card", card)
	if b, err := os.ReadFile(card); status != statusDone || err != nil || !strings.HasPrefix(string(b), "dune 23, with the camera of one.jpg\n") {
		t.Errorf("status %d, %s, %v\n%s", status, stderr, err, b)
	}
}

// TestPlanFirstUse: with one of his photographs and nothing else, a user gets
// the whole plan, on a terminal of 80 by 40.
func TestPlanFirstUse(t *testing.T) {
	path := filepath.Join(shareddata.Dir(t), "rows", "petra-portrait-row", "frames", "DFM_4209.jpg")
	status, stdout, stderr := planned(t, "--like", path, "--cover", "120deg")
	if status != statusDone || stderr != "" {
		t.Fatalf("status %d, %s", status, stderr)
	}
	lines := strings.Split(strings.TrimSuffix(stdout, "\n"), "\n")
	if len(lines) > 40 {
		t.Errorf("%d lines", len(lines))
	}
	for _, l := range lines {
		if utf8.RuneCountInString(l) > 80 {
			t.Errorf("%d letters: %q", utf8.RuneCountInString(l), l)
		}
	}
	// The lens is 18 mm, 27 mm equivalent by its maker.
	for i, want := range []string{"4 frames ", "Picture ", "Turn to "} {
		if !strings.HasPrefix(strings.Join(lines[i:], "\n"), want) && !strings.Contains(stdout, "\n"+want) {
			t.Errorf("no line %q:\n%s", want, stdout)
		}
	}
	for _, want := range []string{"Print", "Upright", "Across", "One frame", "Level", "Near", "Focus", "Time", "Never look at the sun"} {
		if !strings.Contains(stdout, want) {
			t.Errorf("no %q:\n%s", want, stdout)
		}
	}
}

// TestPlanJSON reads the plan back as a program does.
func TestPlanJSON(t *testing.T) {
	status, stdout, stderr := planned(t, "--focal", "23mm", "--sensor", "23.5x15.6", "--pixels", "6240x4160", "--cover", "120deg", "--overlap", "33%", "--json")
	if status != statusDone {
		t.Fatal(stderr)
	}
	var p plan.Plan
	if err := json.Unmarshal([]byte(stdout), &p); err != nil {
		t.Fatal(err)
	}
	if p.Frames != 5 || !(math.Abs(p.TurnDeg-25.10) < 0.01) || !(p.CoverageDeg >= 120) || !(math.Abs(p.Overlap-0.33) < 1e-9) {
		t.Errorf("%+v", p)
	}
}

// TestGlued: only a unit stays with its number.
func TestGlued(t *testing.T) {
	for text, want := range map[string]string{
		"125 × 50 cm (fills A2) at 300 ppi; 2 px.": "125_×_50_cm (fills A2) at 300_ppi; 2_px.",
		"in the same shape, at most":               "in the same shape, at most",
		"1.2 m to ∞, 33 %":                         "1.2_m to_∞, 33_%",
	} {
		if got := strings.ReplaceAll(glued(text), glue, "_"); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}

// TestQuantities: numbers as people write them.
func TestQuantities(t *testing.T) {
	for _, tt := range []struct {
		kind quantity
		text string
		want float64
	}{
		{focalQuantity, "23mm", 23},
		{focalQuantity, "23", 23},
		{focalQuantity, "2.3 cm", 23},
		{focalQuantity, "18,5 mm", 18.5},
		{nearQuantity, "1.5m", 1.5},
		{nearQuantity, "1,5 M", 1.5},
		{nearQuantity, "80cm", 0.8},
		{nearQuantity, "5ft", 1.524},
		{angleQuantity, "120deg", 120},
		{angleQuantity, "120°", 120},
		{angleQuantity, "24.98", 24.98},
		{shareQuantity, "33%", 0.33},
		{shareQuantity, "33", 0.33},
		{shareQuantity, "0.33", 0.33},
		{shareQuantity, "1/3", 1.0 / 3},
		{shareQuantity, "100%", 1},
		{apertureUnits, "f/11", 11},
		{apertureUnits, "F11", 11},
		{apertureUnits, "5.6", 5.6},
		{timeQuantity, "1/125", 0.008},
		{timeQuantity, "1/125s", 0.008},
		{timeQuantity, "0.5 s", 0.5},
		{timeQuantity, "8", 8},
		{timeQuantity, "2min16s", 136},
		{timeQuantity, "2 min 16 s", 136},
		{timeQuantity, "1h5min", 3900},
		{timeQuantity, "0", 0},
		{stopsQuantity, "24", 15},
		{stopsQuantity, "15deg", 15},
		{stopsQuantity, "22.5°", 22.5},
		{blurQuantity, "0.02mm", 0.02},
		{blurQuantity, "20µm", 0.02},
		{blurQuantity, "4px", -4},
		{isoQuantity, "ISO 100", 100},
		{offsetQuantity, "0", 0},
		{offsetQuantity, "6cm", 60},
		{pixelsQuantity, "5500px", 5500},
	} {
		f := quantityFlag{kind: tt.kind}
		if err := f.Set(tt.text); err != nil || !(math.Abs(f.value-tt.want) <= 1e-12*max(1, math.Abs(tt.want))) || !f.given {
			t.Errorf("%q: %v, %v, want %v", tt.text, f.value, err, tt.want)
		}
	}
	for _, kind := range []quantity{focalQuantity, nearQuantity, angleQuantity, shareQuantity, apertureUnits, timeQuantity, stopsQuantity, blurQuantity, isoQuantity, offsetQuantity, pixelsQuantity} {
		for _, text := range []string{"", "-3", "x", "1/0", "NaN", "Inf", "1e999", "3 furlongs", "1/2/3", "--"} {
			f := quantityFlag{kind: kind}
			if err := f.Set(text); err == nil {
				t.Errorf("%s %q: taken for %v", kind.name, text, f.value)
			}
		}
	}
	for _, tt := range []struct {
		text string
		want float64
	}{
		{"ND64", 6},
		{"nd1000", 10},
		{"ND 8", 3},
		{"ND1.8", 6},
		{"ND3.0", 10},
		{"6stops", 6},
		{"1 stop", 1},
		{"2.5ev", 2.5},
		{"x64", 6},
		{"polariser", 1.5},
		{"CPL", 1.5},
		{"ND64+polariser", 7.5},
		{"ND0.9 + ND0.6", 5},
	} {
		var f filterFlag
		err := f.Set(tt.text)
		sum := 0.0
		for _, s := range f.stops {
			sum += s
		}
		if err != nil || !(math.Abs(sum-tt.want) <= 1e-9) {
			t.Errorf("%q: %v stops, %v, want %v", tt.text, sum, err, tt.want)
		}
	}
	for _, text := range []string{"", "ND", "ND-3", "stops", "x0.5", "red", "ND64+", "0"} {
		var f filterFlag
		if err := f.Set(text); err == nil {
			t.Errorf("filter %q: taken for %v", text, f.stops)
		}
	}
}
