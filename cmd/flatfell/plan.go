package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	pages "flatfell.example/internal/report"
	"flatfell.example/plan"
)

// planCommand is the command line of flatfell plan.
type planCommand struct {
	like, kit, card, title       string
	report                       string
	focal                        quantityFlag
	sensor                       sensorFlag
	pixels                       pixelsFlag
	orientation, surface         choiceFlag
	cover, turn, overlap, asWide quantityFlag
	frames                       countFlag
	shape                        shapeFlag
	stops, pupil, wanted         quantityFlag
	aperture, blur, near, meet   quantityFlag
	shutter, iso, timer, turning quantityFlag
	filter                       filterFlag
	bracket, json, overwrite     bool

	// notes say what was taken from where.
	notes []string
}

const maxPlanFrames = 400

func newPlan() *cobra.Command {
	q := func(k quantity) quantityFlag { return quantityFlag{kind: k} }
	p := &planCommand{
		focal: q(focalQuantity), cover: q(angleQuantity), turn: q(angleQuantity), overlap: q(shareQuantity), asWide: q(focalQuantity),
		stops: q(stopsQuantity), pupil: q(offsetQuantity), wanted: q(pixelsQuantity),
		aperture: q(apertureUnits), blur: q(blurQuantity), near: q(nearQuantity), meet: q(shareQuantity),
		shutter: q(timeQuantity), iso: q(isoQuantity), timer: q(timeQuantity), turning: q(timeQuantity),
		frames:      countFlag{limit: maxPlanFrames},
		orientation: choiceFlag{choices: []string{"portrait", "landscape"}},
		surface:     choiceFlag{choices: []string{string(plan.Cylinder), string(plan.Plane), string(plan.Sphere)}},
	}
	cmd := &cobra.Command{
		Use:   "plan [options]",
		Short: "how many frames, how far to turn, how large it will print",
		Long: `Works out a row before you stand in the cold: frames and turns, the picture's
size and what the crop leaves, prints, how level is level enough, how near the
foreground may come, where to focus, how long it takes. The lens comes from a
photograph of yours, from a kit, or from the options. Of coverage, frames,
overlap and turn give any two; with one alone the overlap is a third.

Numbers are taken as people write them: 23mm, f/11, 1/125, 120deg, 33%, 1.5m.

Kits are kept in flatfell/kits.conf in your configuration folder:
    [dune 23]
    focal = 23mm
    sensor = 23.5x15.6
    pixels = 6240x4160
    stops = 24`,
		Example: `With the lens of a photograph that you have taken:
    flatfell plan --like one-photo.jpg --cover 120deg
By hand, or with a kit of your own:
    flatfell plan --focal 23mm --sensor 23.5x15.6 --pixels 6240x4160 --frames 5
    flatfell plan --kit "dune 23" --shape 3:1
A long exposure with a rock in front, on a card for the pocket:
    flatfell plan --kit "dune 23" --cover 120deg --aperture f/11 --near 1.5m \
      --bracket --shutter 1/125 --filter ND64 --filter polariser --card row.html`,
		RunE: p.run,
	}
	camera := newGroup("The camera")
	camera.StringVar(&p.like, "like", "", "take lens, sensor and exposure from a photograph in `FILE`")
	camera.StringVar(&p.kit, "kit", "", "take them, and more, from the kit of that `NAME`")
	camera.Var(&p.focal, "focal", "focal length, such as 23mm")
	camera.Var(&p.sensor, "sensor", "sides of the sensor in millimetres, such as 23.5x15.6")
	camera.Var(&p.pixels, "pixels", "sides of a frame in pixels, such as 6240x4160")
	camera.Var(&p.orientation, "orientation", "how it is held; without it portrait")
	row := newGroup("The row")
	row.Var(&p.cover, "cover", "how wide it shall be at least, such as 120deg")
	row.Var(&p.asWide, "as-wide-as", "the same as a focal length on 36 × 24 mm, such as 14mm")
	row.Var(&p.shape, "shape", "cut the picture to a shape such as 3:1; without --cover and --frames, as many frames as it takes")
	row.Var(&p.frames, "frames", "how many frames")
	row.Var(&p.overlap, "overlap", "what a frame shares with the next, such as 33%; without it a third")
	row.Var(&p.turn, "turn", "the angle from frame to frame, such as 25deg")
	row.Var(&p.stops, "stops", "turn by whole clicks of a rotator or marks of a base: how many in a full turn, such as 24, or how far apart, such as 15deg")
	row.Var(&p.surface, "surface", "what the picture will be laid out on; without it cylinder")
	row.Var(&p.wanted, "want-height", "a height in pixels that shall be left after the crop: how level is level enough?")
	focus := newGroup("Near things and focus")
	focus.Var(&p.near, "near", "the nearest thing that matters, such as 1.5m from the tripod")
	focus.Var(&p.pupil, "pupil-offset", "how far the lens's entrance pupil is from the axis that you turn about, such as 60mm")
	focus.Var(&p.aperture, "aperture", "such as f/11")
	focus.Var(&p.blur, "blur", "the blur on the sensor that counts as sharp, such as 0.02mm or 4px; without it 1/1440 of the diagonal")
	focus.BoolVar(&p.bracket, "bracket", false, "plan a focus bracket from --near to infinity")
	focus.Var(&p.meet, "meet", "at which share of that blur its slices meet; without it 75%")
	light := newGroup("Light and time")
	light.Var(&p.shutter, "shutter", "the exposure time without filters, such as 1/125")
	light.Var(&p.filter, "filter", "a filter: ND64, ND1.8 (density), 6stops or polariser; may be given again")
	light.Var(&p.iso, "iso", "the sensitivity, for the exposure value")
	light.Var(&p.timer, "timer", "delay of the self-timer; without it 2s")
	light.Var(&p.turning, "turning", "how long it takes to turn to the next frame until all is still; without it 5s")
	out := newGroup("What comes out")
	out.StringVar(&p.card, "card", "", "also write a pocket card: `FILE` ending in .html (phone), .pdf (print) or .txt")
	out.StringVar(&p.report, "report", "", "also write a page with all about the row to `FILE` ending in .html")
	out.StringVar(&p.title, "title", "", "what card and report are called, such as the place")
	out.BoolVar(&p.overwrite, "overwrite", false, "replace a card or a report that exists")
	out.BoolVar(&p.json, "json", false, "print the plan as JSON instead")
	out.BoolP("help", "h", false, "print this")
	addGroups(cmd, camera, row, focus, light, out)
	for name, f := range map[string]*choiceFlag{"orientation": &p.orientation, "surface": &p.surface} {
		cobra.CheckErr(cmd.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(f.choices, cobra.ShellCompDirectiveNoFileComp)))
	}
	return cmd
}

func (p *planCommand) usage(format string, a ...any) error {
	return usagef("flatfell plan", format, a...)
}

func (p *planCommand) run(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return p.usage("%q is no option; a photograph is given with --like %s", args[0], args[0])
	}
	if p.asWide.given && p.cover.given {
		return p.usage("give --cover or --as-wide-as, not both")
	}
	if p.meet.given && !p.bracket {
		return p.usage("--meet needs --bracket")
	}
	if err := p.checkPages(); err != nil {
		return err
	}
	if p.kit != "" {
		var skip []string
		if p.like != "" {
			skip = cameraOptions
		}
		left, err := useKit(cmd.Flags(), p.kit, skip)
		if err != nil {
			return err
		}
		if p.title == "" {
			p.title = p.kitName(left)
		}
	}
	request, err := p.request()
	if err != nil {
		return err
	}
	result, err := plan.New(request)
	if err != nil {
		return p.usage("%s", strings.TrimPrefix(err.Error(), "plan: "))
	}
	if p.card != "" {
		if err := p.writeCard(cmd.Context(), result); err != nil {
			return err
		}
	}
	if p.report != "" {
		page := pages.Plan{Plan: result, Title: p.title, Command: typed(cmd, args), Version: version()}
		if err := photo.WriteWhole(cmd.Context(), p.report, p.overwrite, page); err != nil {
			return err
		}
	}
	if p.json {
		_, err := indented{result}.WriteTo(cmd.OutOrStdout())
		return err
	}
	return p.tell(cmd.OutOrStdout(), result)
}

// request puts the options together; a photograph gives what they leave open.
func (p *planCommand) request() (plan.Request, error) {
	q := plan.Request{
		Wish: plan.Wish{
			Coverage: geom.Angle(p.cover.value) * geom.Degree, Frames: p.frames.n, Overlap: p.overlap.value,
			Turn: geom.Angle(p.turn.value) * geom.Degree, ShapeW: p.shape.w, ShapeH: p.shape.h,
			Stop: geom.Angle(p.stops.value) * geom.Degree,
		},
		Surface: plan.Surface(p.surface.value),
		FNumber: p.aperture.value, NearM: p.near.value, Bracket: p.bracket, Meet: p.meet.value,
		PupilOffsetMM: p.pupil.value, PupilKnown: p.pupil.given,
		ShutterSeconds: p.shutter.value, ISO: p.iso.value, FilterStops: p.filter.stops,
		TimerSeconds: 2, TurnSeconds: 5,
		WantedHeightPx: int(p.wanted.value),
	}
	if p.asWide.given {
		q.Wish.Coverage = plan.AsWideAs(p.asWide.value)
	}
	if p.timer.given {
		q.TimerSeconds = p.timer.value
	}
	if p.turning.given {
		q.TurnSeconds = p.turning.value
	}
	var err error
	if p.like != "" {
		err = p.fromPhoto(&q)
	} else {
		err = p.fromOptions(&q)
	}
	if err != nil {
		return q, err
	}
	q.Camera.Portrait = p.orientation.value != "landscape"
	if q.CircleMM = p.blur.value; q.CircleMM < 0 {
		q.CircleMM *= -q.Camera.PitchMM()
	}
	switch {
	case p.bracket && !p.near.given:
		return q, p.usage("--bracket needs --near, the nearest thing that shall be sharp")
	case p.bracket && q.FNumber == 0:
		return q, p.usage("--bracket needs --aperture")
	case len(q.FilterStops) > 0 && q.ShutterSeconds == 0:
		return q, p.usage("--filter needs --shutter, the exposure time without it")
	}
	return q, nil
}

// fromOptions is the camera of --focal, --sensor and --pixels.
func (p *planCommand) fromOptions(q *plan.Request) error {
	var missing []string
	for _, o := range []struct {
		given bool
		name  string
	}{{p.focal.given, "--focal 23mm"}, {p.sensor.w > 0, "--sensor 23.5x15.6"}, {p.pixels.w > 0, "--pixels 6240x4160"}} {
		if !o.given {
			missing = append(missing, o.name)
		}
	}
	switch {
	case len(missing) == 3:
		return p.usage("which camera? Add --like and a photograph taken with it, or %s", strings.Join(missing, ", "))
	case len(missing) > 0:
		return p.usage("the camera is incomplete; add %s", strings.Join(missing, " and "))
	}
	q.Camera = plan.Camera{
		FocalMM: p.focal.value, LongMM: max(p.sensor.w, p.sensor.h), ShortMM: min(p.sensor.w, p.sensor.h),
		LongPx: max(p.pixels.w, p.pixels.h), ShortPx: min(p.pixels.w, p.pixels.h),
	}
	return nil
}

// fromPhoto is the camera that took a photograph, and its exposure. Options
// take precedence.
func (p *planCommand) fromPhoto(q *plan.Request) error {
	f, err := photo.Open(p.like)
	if err != nil {
		return err
	}
	m := &f.Meta
	long, short := max(f.Width, f.Height), min(f.Width, f.Height)
	if p.pixels.w > 0 {
		long, short = max(p.pixels.w, p.pixels.h), min(p.pixels.w, p.pixels.h)
	}
	px, _, known := m.FocalPx(long, short)
	focal := m.FocalMM
	if p.focal.given {
		if known && m.FocalMM > 0 {
			px *= p.focal.value / m.FocalMM
		} else {
			known = false
		}
		focal = p.focal.value
	}
	switch {
	case p.sensor.w > 0 && focal > 0:
		q.Camera = plan.Camera{FocalMM: focal, LongMM: max(p.sensor.w, p.sensor.h), ShortMM: min(p.sensor.w, p.sensor.h), LongPx: long, ShortPx: short}
	case known && focal > 0:
		q.Camera = plan.FromFocalPx(focal, px, long, short)
	case known:
		q.Camera = plan.FromEquivalent(m.Focal35MM, long, short)
		p.notes = append(p.notes, "The photograph tells the 35 mm equivalent only: angles are right, depth of field is that of a full frame.")
	case focal > 0:
		return p.usage("%s does not say how large the camera's sensor is; add --sensor, such as --sensor 23.5x15.6", p.like)
	default:
		return p.usage("%s does not say which lens took it; add --focal and --sensor, such as --focal 23mm --sensor 23.5x15.6, or take a photograph as the camera wrote it", p.like)
	}
	var taken []string
	take := func(dst *float64, given bool, v float64, text string) {
		if !given && v > 0 {
			*dst = v
			taken = append(taken, text)
		}
	}
	take(&q.FNumber, p.aperture.given, m.FNumber, fmt.Sprintf("f/%.3g", m.FNumber))
	take(&q.ShutterSeconds, p.shutter.given, m.ExposureSeconds, plan.Seconds(m.ExposureSeconds))
	take(&q.ISO, p.iso.given, m.ISO, fmt.Sprintf("ISO %.0f", m.ISO))
	if len(taken) > 0 {
		p.notes = append(p.notes, fmt.Sprintf("From %s: %s.", filepath.Base(p.like), strings.Join(taken, ", ")))
	}
	return nil
}

// checkPages refuses a card or a report that can't be written before anything is worked out.
func (p *planCommand) checkPages() error {
	var read []string
	if p.like != "" {
		read = []string{p.like}
	}
	if err := checkOutputs(p.usage, read, []plannedOutput{{"--card", p.card, photo.CheckWhole}, {"--report", p.report, checkReport}}, p.overwrite); err != nil {
		return err
	}
	if p.card == "" {
		if p.title != "" && p.report == "" {
			return p.usage("--title is for a card or a report; add --card FILE or --report FILE")
		}
		return nil
	}
	if pages.CardFormat(p.card) == "" {
		return p.usage("%s has an ending that names no card; use .html, .pdf or .txt", p.card)
	}
	return nil
}

func (p *planCommand) writeCard(ctx context.Context, result *plan.Plan) error {
	return photo.WriteWhole(ctx, p.card, p.overwrite, cardFile{pages.Card{Plan: result, Title: p.title}, pages.CardFormat(p.card)})
}

// cardFile writes a card in a format.
type cardFile struct {
	card   pages.Card
	format string
}

func (c cardFile) WriteTo(w io.Writer) (int64, error) {
	b, err := c.card.Bytes(c.format)
	if err != nil {
		return 0, err
	}
	n, err := w.Write(b)
	return int64(n), err
}
