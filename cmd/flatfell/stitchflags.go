package main

import (
	"fmt"
	"math"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"flatfell.example/geom"
	"flatfell.example/stitch"
	"flatfell.example/warp"
)

// cropFlag is --crop: inside, whole, or a shape W:H.
type cropFlag stitch.Crop

func (c *cropFlag) String() string {
	switch {
	case c.Whole:
		return "whole"
	case c.AspectW > 0:
		return fmt.Sprintf("%g:%g", c.AspectW, c.AspectH)
	}
	return "inside"
}

func (c *cropFlag) Set(s string) error {
	switch s {
	case "inside":
		*c = cropFlag{}
		return nil
	case "whole":
		*c = cropFlag{Whole: true}
		return nil
	}
	v, err := numbers(s, ":", 2)
	if err != nil || !(v[0] > 0 && v[1] > 0) {
		return fmt.Errorf("give inside, whole, or a shape such as 5:2")
	}
	*c = cropFlag{AspectW: v[0], AspectH: v[1]}
	return trimmed(stitch.Options{Crop: stitch.Crop(*c)}.Validate())
}

func (*cropFlag) Type() string { return "HOW" }

// surfaceFlag is --surface, the name of an output surface.
type surfaceFlag string

func (f *surfaceFlag) String() string { return string(*f) }

func (f *surfaceFlag) Set(s string) error {
	if _, err := warp.SurfaceByName(s); err != nil {
		return fmt.Errorf("give one of %s", strings.Join(warp.SurfaceNames(), ", "))
	}
	*f = surfaceFlag(s)
	return nil
}

func (*surfaceFlag) Type() string { return "NAME" }

// levelFlag is --level ROLL,PITCH in degrees.
type levelFlag struct{ level *stitch.Level }

func (f *levelFlag) String() string {
	if f.level == nil {
		return ""
	}
	return fmt.Sprintf("%g,%g", f.level.Roll.Degrees(), f.level.Pitch.Degrees())
}

func (f *levelFlag) Set(s string) error {
	v, err := numbers(s, ",", 2)
	if err != nil {
		return fmt.Errorf("give roll and pitch in degrees, such as -0.4,3")
	}
	f.level = &stitch.Level{Roll: geom.Angle(v[0]) * geom.Degree, Pitch: geom.Angle(v[1]) * geom.Degree}
	return trimmed(stitch.Options{Level: f.level}.Validate())
}

func (*levelFlag) Type() string { return "ROLL,PITCH" }

// offsetFlag is --offset RIGHT,DOWN in per cent.
type offsetFlag struct{ right, down float64 }

func (f *offsetFlag) String() string {
	if *f == (offsetFlag{}) {
		return ""
	}
	return fmt.Sprintf("%g,%g", 100*f.right, 100*f.down)
}

func (f *offsetFlag) Set(s string) error {
	v, err := numbers(s, ",", 2)
	if err != nil || max(v[0], -v[0], v[1], -v[1]) > 100 {
		return fmt.Errorf("give per cent to the right and down, such as 10,-3")
	}
	*f = offsetFlag{v[0] / 100, v[1] / 100}
	return nil
}

func (*offsetFlag) Type() string { return "RIGHT,DOWN" }

// centreFlag is --centre in degrees.
type centreFlag struct{ angle *geom.Angle }

func (f *centreFlag) String() string {
	if f.angle == nil {
		return ""
	}
	return fmt.Sprintf("%g", f.angle.Degrees())
}

func (f *centreFlag) Set(s string) error {
	v, err := numbers(s, ",", 1)
	if err != nil || max(v[0], -v[0]) > 180 {
		return fmt.Errorf("give degrees from -180 to 180, such as -12.5")
	}
	a := geom.Angle(v[0]) * geom.Degree
	f.angle = &a
	return nil
}

func (*centreFlag) Type() string { return "DEGREES" }

// keepFlag is --keep FRAME:X,Y,RADIUS, in per cent; it may be given again.
type keepFlag []stitch.Keep

func (f *keepFlag) String() string {
	var parts []string
	for _, k := range *f {
		parts = append(parts, fmt.Sprintf("%s:%g,%g,%g", k.Frame, 100*k.X, 100*k.Y, 100*k.Radius))
	}
	return strings.Join(parts, " ")
}

func (f *keepFlag) Set(s string) error {
	usage := fmt.Errorf("give a frame and a place in it in per cent of its sides, across, down and radius, such as coast-03.jpg:40,55,12")
	at := strings.LastIndex(s, ":")
	if at <= 0 {
		return usage
	}
	v, err := numbers(s[at+1:], ",", 3)
	if err != nil {
		return usage
	}
	k := stitch.Keep{Frame: s[:at], X: v[0] / 100, Y: v[1] / 100, Radius: v[2] / 100}
	if err := (stitch.Options{Keep: []stitch.Keep{k}}).Validate(); err != nil {
		return trimmed(err)
	}
	*f = append(*f, k)
	return nil
}

func (*keepFlag) Type() string { return "FRAME:X,Y,RADIUS" }

// sensorFlag is --sensor WxH in millimetres.
type sensorFlag struct{ w, h float64 }

func (f *sensorFlag) String() string {
	if *f == (sensorFlag{}) {
		return ""
	}
	return fmt.Sprintf("%gx%g", f.w, f.h)
}

func (f *sensorFlag) Set(s string) error {
	v, err := numbers(strings.NewReplacer("×", "x", "mm", "").Replace(s), "x", 2)
	if err != nil || !(v[0] > 0 && v[1] > 0) {
		return fmt.Errorf("give the sensor's sides in millimetres, such as 23.5x15.6")
	}
	f.w, f.h = v[0], v[1]
	return nil
}

func (*sensorFlag) Type() string { return "WxH" }

// positiveFlag is a number above zero; zero means not given.
type positiveFlag float64

func (f *positiveFlag) String() string {
	if *f == 0 {
		return ""
	}
	return strconv.FormatFloat(float64(*f), 'g', -1, 64)
}

func (f *positiveFlag) Set(s string) error {
	v, err := numbers(s, ",", 1)
	if err != nil || !(v[0] > 0) {
		return fmt.Errorf("give a number above zero")
	}
	*f = positiveFlag(v[0])
	return nil
}

func (*positiveFlag) Type() string { return "NUMBER" }

// compressionFlag is --compression, the name of a way to pack a TIFF.
type compressionFlag string

func (f *compressionFlag) String() string { return string(*f) }

func (f *compressionFlag) Set(s string) error {
	if !slices.Contains(stitch.Compressions(), s) {
		return fmt.Errorf("give one of %s", strings.Join(stitch.Compressions(), ", "))
	}
	*f = compressionFlag(s)
	return nil
}

func (*compressionFlag) Type() string { return "NAME" }

// countFlag is a whole number from 1 up to a limit; zero means not given.
type countFlag struct{ n, limit int }

func (f *countFlag) String() string {
	if f.n == 0 {
		return ""
	}
	return strconv.Itoa(f.n)
}

func (f *countFlag) Set(s string) error {
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 || n > f.limit {
		return fmt.Errorf("give a whole number from 1 to %d", f.limit)
	}
	f.n = n
	return nil
}

func (*countFlag) Type() string { return "N" }

// seedFlag is the number that starts a random stream.
type seedFlag uint64

func (f *seedFlag) String() string { return strconv.FormatUint(uint64(*f), 10) }

func (f *seedFlag) Set(s string) error {
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil {
		return fmt.Errorf("give a whole number from 0 to %d", uint64(math.MaxUint64))
	}
	*f = seedFlag(n)
	return nil
}

func (*seedFlag) Type() string { return "N" }

// bitsFlag is --bits, 8 or 16; zero means not given.
type bitsFlag int

func (f *bitsFlag) String() string {
	if *f == 0 {
		return ""
	}
	return strconv.Itoa(int(*f))
}

func (f *bitsFlag) Set(s string) error {
	switch s {
	case "8":
		*f = 8
	case "16":
		*f = 16
	default:
		return fmt.Errorf("give 8 or 16")
	}
	return nil
}

func (*bitsFlag) Type() string { return "8|16" }

// memoryFlag is --memory, in bytes; zero means not given.
type memoryFlag int64

func (f *memoryFlag) String() string {
	if *f == 0 {
		return ""
	}
	return strconv.FormatInt(int64(*f)/1e6, 10) + "MB"
}

func (f *memoryFlag) Set(s string) error {
	text, unit := strings.ToUpper(strings.TrimSpace(s)), 0.0
	for suffix, u := range map[string]float64{"MB": 1e6, "GB": 1e9, "MIB": 1 << 20, "GIB": 1 << 30} {
		if rest, ok := strings.CutSuffix(text, suffix); ok {
			text, unit = rest, u
		}
	}
	v, err := numbers(text, ",", 1)
	if err != nil || unit == 0 || !(v[0] > 0 && v[0]*unit <= 1<<50) {
		return fmt.Errorf("give a size such as 800MB or 4GB")
	}
	*f = memoryFlag(v[0] * unit)
	return nil
}

func (*memoryFlag) Type() string { return "SIZE" }

// bytes is --memory or, if the Go runtime was told a limit (GOMEMLIMIT) that
// leaves less than the usual, what fits in it.
func (f *memoryFlag) bytes() int64 {
	if *f > 0 {
		return int64(*f)
	}
	if limit := debug.SetMemoryLimit(-1); limit < 1280<<20 {
		return max(1, limit/2)
	}
	return 0
}

var (
	_ pflag.Value = (*memoryFlag)(nil)
	_ pflag.Value = (*cropFlag)(nil)
	_ pflag.Value = (*surfaceFlag)(nil)
	_ pflag.Value = (*levelFlag)(nil)
	_ pflag.Value = (*offsetFlag)(nil)
	_ pflag.Value = (*centreFlag)(nil)
	_ pflag.Value = (*keepFlag)(nil)
	_ pflag.Value = (*sensorFlag)(nil)
	_ pflag.Value = (*positiveFlag)(nil)
	_ pflag.Value = (*compressionFlag)(nil)
	_ pflag.Value = (*countFlag)(nil)
	_ pflag.Value = (*seedFlag)(nil)
	_ pflag.Value = (*bitsFlag)(nil)
)

// numbers splits s into exactly n finite numbers.
func numbers(s, separator string, n int) ([]float64, error) {
	parts := strings.Split(s, separator)
	if len(parts) != n {
		return nil, fmt.Errorf("%d numbers, want %d", len(parts), n)
	}
	v := make([]float64, n)
	for i, p := range parts {
		x, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil {
			return nil, err
		}
		if x-x != 0 { // infinite or no number
			return nil, fmt.Errorf("%s is no number", p)
		}
		v[i] = x
	}
	return v, nil
}

// trimmed is err without the package's name in front.
func trimmed(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s", plain(err))
}
