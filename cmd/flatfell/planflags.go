package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"flatfell.example/plan"
)

// quantityFlag is a number with a unit, as people write it.
type quantityFlag struct {
	value float64
	given bool
	text  string
	kind  quantity
}

// quantity says how a number is written.
type quantity struct {
	name  string // for the help, such as LENGTH
	parse func(s string) (float64, error)
}

func (f *quantityFlag) String() string { return f.text }
func (f *quantityFlag) Type() string   { return f.kind.name }

func (f *quantityFlag) Set(s string) error {
	v, err := f.kind.parse(tidy(s))
	if err != nil {
		return err
	}
	f.value, f.given, f.text = v, true, s
	return nil
}

// tidy takes out what makes no difference: case, spaces, and the comma that
// much of the world has for a decimal point.
func tidy(s string) string {
	s = strings.ToLower(strings.Join(strings.Fields(s), ""))
	if !strings.Contains(s, ".") && strings.Count(s, ",") == 1 {
		s = strings.Replace(s, ",", ".", 1)
	}
	return s
}

// units are the units that a quantity may have; "" is what a bare number means.
type units map[string]float64

// parse reads one number with one unit, the number possibly a fraction.
func (u units) parse(s string) (float64, error) {
	end := strings.LastIndexAny(s, "0123456789./") + 1
	factor, ok := u[s[end:]]
	if !ok {
		return 0, errors.New("unknown unit")
	}
	v, err := fraction(s[:end])
	return v * factor, err
}

// fraction reads 0.25 or 1/4.
func fraction(s string) (float64, error) {
	over, under, isFraction := strings.Cut(s, "/")
	if !isFraction {
		under = "1"
	}
	a, errA := strconv.ParseFloat(over, 64)
	b, errB := strconv.ParseFloat(under, 64)
	v := a / b
	if errA != nil || errB != nil || v-v != 0 || v < 0 {
		return 0, errors.New("no number")
	}
	return v, nil
}

// inUnits is a quantity of one number in given units; nonsense gets the
// example.
func inUnits(name, example string, u units, zero bool) quantity {
	return quantity{name, func(s string) (float64, error) {
		v, err := u.parse(s)
		switch {
		case err != nil:
			return 0, fmt.Errorf("give %s", example)
		case v == 0 && !zero:
			return 0, fmt.Errorf("it must be above zero; give %s", example)
		}
		return v, nil
	}}
}

var (
	millimetres = units{"": 1, "mm": 1, "cm": 10, "m": 1000, "in": 25.4, "\"": 25.4}
	metres      = units{"": 1, "m": 1, "cm": 0.01, "mm": 0.001, "km": 1000, "ft": 0.3048, "'": 0.3048, "in": 0.0254}
	degrees     = units{"": 1, "deg": 1, "°": 1, "degrees": 1, "degree": 1}

	focalQuantity  = inUnits("MM", "a focal length such as 23mm", millimetres, false)
	offsetQuantity = inUnits("MM", "a length such as 60mm", millimetres, true)
	nearQuantity   = inUnits("M", "a distance such as 1.5m, 80cm or 5ft", metres, false)
	angleQuantity  = inUnits("DEG", "an angle such as 120deg or 120°", degrees, false)
	timeQuantity   = quantity{"TIME", func(s string) (float64, error) { return duration(s) }}
	shareQuantity  = quantity{"SHARE", share}
	apertureUnits  = quantity{"F", aperture}
	stopsQuantity  = quantity{"N|DEG", stopAngle}
	blurQuantity   = quantity{"MM|PX", blur}
	isoQuantity    = quantity{"N", func(s string) (float64, error) {
		return inUnits("", "a sensitivity such as 100", units{"": 1}, false).parse(strings.TrimPrefix(s, "iso"))
	}}
	pixelsQuantity = inUnits("PX", "a number of pixels such as 5500", units{"": 1, "px": 1}, false)
)

// share reads 33%, 0.33 or 1/3; 33 alone can only mean per cent.
func share(s string) (float64, error) {
	v, err := units{"": 1, "%": 0.01, "percent": 0.01}.parse(s)
	if err != nil {
		return 0, errors.New("give a share such as 33% or 1/3")
	}
	if v > 1 && !strings.HasSuffix(s, "%") && !strings.HasSuffix(s, "percent") {
		v /= 100
	}
	if v == 0 {
		return 0, errors.New("it must be above zero; give a share such as 33% or 1/3")
	}
	return v, nil
}

// aperture reads f/11, f11 or 11.
func aperture(s string) (float64, error) {
	v, err := fraction(strings.TrimPrefix(strings.TrimPrefix(s, "f"), "/"))
	if err != nil || v == 0 {
		return 0, errors.New("give an aperture such as f/11")
	}
	return v, nil
}

// duration reads 1/125, 0.5, 8s, 2min16s, 1h5min.
func duration(s string) (float64, error) {
	usage := errors.New("give a time such as 1/125, 8s or 2min16s")
	total, rest := 0.0, s
	for rest != "" {
		digits := len(rest) - len(strings.TrimLeft(rest, "0123456789./"))
		letters := len(rest[digits:]) - len(strings.TrimLeft(rest[digits:], "abcdefghijklmnopqrstuvwxyz\"'"))
		v, err := units{"": 1, "s": 1, "sec": 1, "\"": 1, "ms": 0.001, "min": 60, "m": 60, "'": 60, "h": 3600}.parse(rest[:digits+letters])
		if digits == 0 || err != nil {
			return 0, usage
		}
		total, rest = total+v, rest[digits+letters:]
	}
	if s == "" {
		return 0, usage
	}
	return total, nil
}

// stopAngle reads the number of stops in a full turn, or the angle between two
// of them, and returns that angle in degrees.
func stopAngle(s string) (float64, error) {
	usage := errors.New("give the number of stops in a full turn, such as 24, or the angle between two, such as 15deg")
	if n, err := strconv.Atoi(s); err == nil {
		if n < 2 || n > 3600 {
			return 0, usage
		}
		return 360 / float64(n), nil
	}
	v, err := degrees.parse(s)
	if err != nil || v == 0 || v > 180 {
		return 0, usage
	}
	return v, nil
}

// blur reads 0.02mm or 20µm; a number of pixels is returned below zero.
func blur(s string) (float64, error) {
	v, err := units{"": 1, "mm": 1, "µm": 0.001, "μm": 0.001, "um": 0.001, "px": -1}.parse(s)
	if err != nil || v == 0 {
		return 0, errors.New("give the diameter of blur that counts as sharp, such as 0.02mm, 20µm or 4px")
	}
	return v, nil
}

// filterFlag is --filter, given once a filter or several joined by +.
type filterFlag struct {
	stops []float64
	text  []string
}

func (f *filterFlag) String() string { return strings.Join(f.text, "+") }
func (f *filterFlag) Type() string   { return "FILTER" }

func (f *filterFlag) Set(s string) error {
	for part := range strings.SplitSeq(s, "+") {
		v, err := filterStops(tidy(part))
		if err != nil {
			return err
		}
		f.stops, f.text = append(f.stops, v), append(f.text, strings.TrimSpace(part))
	}
	return nil
}

// filterStops reads what filters are called: ND64 by its factor, ND1.8 by its
// density, 6stops, x64, polariser.
func filterStops(s string) (float64, error) {
	usage := errors.New("give a filter such as ND64, ND1.8 (density), 6stops, x64 or polariser")
	number := func(s string) (float64, bool) {
		v, err := fraction(s)
		return v, err == nil && v > 0
	}
	switch s {
	case "polariser", "polarizer", "pol", "cpl":
		return plan.PolariserStops, nil
	}
	for _, unit := range []string{"stops", "stop", "ev"} {
		if n, ok := strings.CutSuffix(s, unit); ok {
			if v, ok := number(n); ok {
				return v, nil
			}
			return 0, usage
		}
	}
	if n, ok := strings.CutPrefix(s, "nd"); ok {
		v, ok := number(n)
		switch {
		case !ok:
			return 0, usage
		case strings.Contains(n, "."):
			return plan.DensityStops(v), nil
		}
		return plan.FilterStops(v), nil
	}
	if n, ok := strings.CutPrefix(s, "x"); ok {
		if v, ok := number(n); ok && v >= 1 {
			return math.Log2(v), nil
		}
	}
	return 0, usage
}

// shapeFlag is --shape W:H.
type shapeFlag struct{ w, h float64 }

func (f *shapeFlag) String() string {
	if f.w == 0 {
		return ""
	}
	return fmt.Sprintf("%g:%g", f.w, f.h)
}

func (*shapeFlag) Type() string { return "W:H" }

func (f *shapeFlag) Set(s string) error {
	v, err := numbers(s, ":", 2)
	if err != nil || !(v[0] > 0 && v[1] > 0) {
		return errors.New("give a shape such as 5:2")
	}
	f.w, f.h = v[0], v[1]
	return nil
}

// pixelsFlag is --pixels WxH.
type pixelsFlag struct{ w, h int }

func (f *pixelsFlag) String() string {
	if f.w == 0 {
		return ""
	}
	return fmt.Sprintf("%dx%d", f.w, f.h)
}

func (*pixelsFlag) Type() string { return "WxH" }

func (f *pixelsFlag) Set(s string) error {
	v, err := numbers(strings.TrimSuffix(strings.ReplaceAll(tidy(s), "×", "x"), "px"), "x", 2)
	if err != nil || !(v[0] >= 1 && v[1] >= 1 && v[0] < 1e6 && v[1] < 1e6) || v[0] != math.Trunc(v[0]) || v[1] != math.Trunc(v[1]) {
		return errors.New("give the sides of a frame in pixels, such as 6240x4160")
	}
	f.w, f.h = int(v[0]), int(v[1])
	return nil
}

// choiceFlag is one of a few words.
type choiceFlag struct {
	value   string
	choices []string
}

func (f *choiceFlag) String() string { return f.value }
func (f *choiceFlag) Type() string   { return strings.Join(f.choices, "|") }

func (f *choiceFlag) Set(s string) error {
	for _, c := range f.choices {
		if s == c {
			f.value = s
			return nil
		}
	}
	return fmt.Errorf("give one of %s", strings.Join(f.choices, ", "))
}
