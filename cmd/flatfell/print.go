package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/internal/photo"
	"flatfell.example/plan"
	"flatfell.example/stitch"
)

// printCommand is the command line of flatfell print.
type printCommand struct {
	out              string
	paper            paperFlag
	ppi              positiveFlag
	border, bleed    lengthFlag
	fill             bool
	sharpen          sharpenFlag
	bits             bitsFlag
	compression      compressionFlag
	quality, workers countFlag
	overwrite, quiet bool
}

// paperFlag is --paper: a sheet of ISO 216, or two sides.
type paperFlag struct {
	text        string
	long, short float64 // millimetres
}

func (f *paperFlag) String() string { return f.text }

func (f *paperFlag) Set(s string) error {
	const usage = "give a sheet such as A3, or two sides such as 60x40cm or 594x420mm"
	var n int
	if _, err := fmt.Sscanf(strings.ToUpper(s), "A%d", &n); err == nil && n >= 0 && n <= 6 && strings.ToUpper(s) == fmt.Sprintf("A%d", n) {
		short, long := plan.Sheet(n)
		*f = paperFlag{strings.ToUpper(s), float64(long), float64(short)}
		return nil
	}
	text, unit := strings.ToLower(strings.ReplaceAll(s, "×", "x")), 0.0
	for suffix, mm := range map[string]float64{"mm": 1, "cm": 10, "in": 25.4} {
		if rest, ok := strings.CutSuffix(text, suffix); ok {
			text, unit = rest, mm
		}
	}
	v, err := numbers(text, "x", 2)
	if err != nil || unit == 0 || !(v[0] > 0 && v[1] > 0) {
		return errors.New(usage)
	}
	*f = paperFlag{s, unit * max(v[0], v[1]), unit * min(v[0], v[1])}
	return nil
}

func (*paperFlag) Type() string { return "SIZE" }

// lengthFlag is a length on paper, in millimetres.
type lengthFlag float64

func (f *lengthFlag) String() string {
	if *f == 0 {
		return ""
	}
	return fmt.Sprintf("%gmm", float64(*f))
}

func (f *lengthFlag) Set(s string) error {
	text, unit := strings.ToLower(s), 0.0
	for suffix, mm := range map[string]float64{"mm": 1, "cm": 10, "in": 25.4} {
		if rest, ok := strings.CutSuffix(text, suffix); ok {
			text, unit = rest, mm
		}
	}
	v, err := numbers(text, ",", 1)
	if err != nil || unit == 0 || !(v[0] >= 0) {
		return fmt.Errorf("give a length such as 15mm or 1.5cm")
	}
	*f = lengthFlag(unit * v[0])
	return nil
}

func (*lengthFlag) Type() string { return "LENGTH" }

// sharpenFlag is --sharpen, a strength; −1 is none.
type sharpenFlag float64

func (f *sharpenFlag) String() string {
	switch {
	case *f == 0:
		return ""
	case *f < 0:
		return "0"
	}
	return fmt.Sprintf("%g", float64(*f))
}

func (f *sharpenFlag) Set(s string) error {
	v, err := numbers(s, ",", 1)
	if err != nil || !(v[0] >= 0 && v[0] <= 5) {
		return fmt.Errorf("give a strength from 0, none, to 5")
	}
	*f = sharpenFlag(v[0])
	if v[0] == 0 {
		*f = -1
	}
	return nil
}

func (*sharpenFlag) Type() string { return "STRENGTH" }

func newPrint() *cobra.Command {
	p := &printCommand{quality: countFlag{limit: 100}, workers: countFlag{limit: maxWorkers}}
	cmd := &cobra.Command{
		Use:   "print PICTURE --paper SIZE -o OUT [options]",
		Short: "bring a picture to the size of a paper, sharpened for it",
		Long: `PICTURE (JPEG, PNG, TIFF) is resampled to the pixels that the paper has, whole and
in its middle or filling it (--fill), turned as the picture is. It says when the
picture has fewer pixels than an eye sees on that size. The colour profile and the
metadata are kept, and the file knows its resolution.

Exit status: 0 done, 1 failed, 2 wrong command line.`,
		Example: `On a sheet of A2, whole, with a border of 15 mm:
    flatfell print dunes.tif --paper A2 --border 15mm -o dunes-a2.tif
For a lab that cuts off 3 mm all around:
    flatfell print dunes.tif --paper 90x30cm --fill --bleed 3mm --ppi 254 -o dunes-lab.jpg`,
		Args: exactlyOne("flatfell print", "the picture to print"),
		RunE: p.run,
	}
	files := newGroup("Files")
	files.StringVarP(&p.out, "output", "o", "", "the file to write: `FILE` ending in .jpg, .png or .tif")
	files.BoolVar(&p.overwrite, "overwrite", false, "replace an output that exists (the picture that is read is never replaced)")
	paper := newGroup("The paper")
	paper.Var(&p.paper, "paper", "A0 to A6, or two sides such as 60x40cm, 594x420mm, 24x16in")
	paper.Var(&p.ppi, "ppi", "pixels an inch; without it 300")
	paper.Var(&p.border, "border", "a white border on all sides")
	paper.BoolVar(&p.fill, "fill", false, "fill the paper within the border and cut off what does not fit")
	paper.Var(&p.bleed, "bleed", "with --fill, let the picture go on so far beyond each edge, to be cut off")
	picture := newGroup("The picture")
	picture.Var(&p.sharpen, "sharpen", "strength of the sharpening for paper, 0 for none; without it 1")
	picture.Var(&p.bits, "bits", "bits a sample; without it 8 for JPEG, else as many as the picture has")
	picture.Var(&p.quality, "quality", "quality of a JPEG, 1 to 100; without it 95")
	picture.Var(&p.compression, "compression", "how a TIFF is packed: "+strings.Join(stitch.Compressions(), ", ")+"; without it "+stitch.Compressions()[0])
	running := newGroup("The run")
	running.BoolVar(&p.quiet, "quiet", false, "print errors and warnings only")
	running.Var(&p.workers, "workers", "how many processors to use; without it all; the result is the same")
	running.BoolP("help", "h", false, "print this")
	addGroups(cmd, files, paper, picture, running)
	cobra.CheckErr(cmd.RegisterFlagCompletionFunc("compression",
		cobra.FixedCompletions(stitch.Compressions(), cobra.ShellCompDirectiveNoFileComp)))
	return cmd
}

// printStages are the stages of a print.
var printStages = []stage{{"read", "reading the picture", 200}, {"write", "resampling and writing", 800}}

func (p *printCommand) usage(format string, a ...any) error {
	return usagef("flatfell print", format, a...)
}

func (p *printCommand) run(cmd *cobra.Command, args []string) error {
	ctx, ending := cmd.Context(), strings.ToLower(filepath.Ext(p.out))
	jpeg := slices.Contains([]string{".jpg", ".jpeg"}, ending)
	switch {
	case p.out == "":
		return p.usage("no output given; add -o and a file name")
	case p.paper.text == "":
		return p.usage("no paper given; add --paper and a size, such as A3 or 60x40cm")
	case p.bits == 16 && jpeg:
		return p.usage("a JPEG has 8 bits; let the output end in .png or .tif for 16")
	case cmd.Flags().Changed("quality") && !jpeg:
		return p.usage("--quality is for JPEG only")
	case cmd.Flags().Changed("compression") && ending != ".tif" && ending != ".tiff":
		return p.usage("--compression is for TIFF only")
	case p.bleed > 0 && !p.fill:
		return p.usage("--bleed needs --fill: it goes on beyond the edges of a picture that fills the paper")
	case p.bleed > 0 && p.border > 0:
		return p.usage("give --border or --bleed, not both")
	}
	o := stitch.PrintOptions{
		LongMM: p.paper.long, ShortMM: p.paper.short, PPI: float64(p.ppi), BorderMM: float64(p.border), Fill: p.fill,
		BleedMM: float64(p.bleed), Sharpen: float64(p.sharpen),
	}
	if err := o.Validate(); err != nil {
		return p.usage("%s", plain(err))
	}
	if err := checkOutputs(p.usage, args, []plannedOutput{{"--output", p.out, photo.CheckWritable}}, p.overwrite); err != nil {
		return err
	}
	frame, err := stitch.OpenFrame(args[0])
	if err != nil {
		return err
	}
	progress := newProgress(cmd.ErrOrStderr(), p.quiet, printStages)
	defer progress.end()
	progress.report("read", 0)
	print, err := stitch.NewPrint(ctx, frame, o)
	if err != nil {
		return err
	}
	origin, err := stitch.NewPrintOrigin(frame, "flatfell "+version())
	if err != nil {
		return err
	}
	bits := int(p.bits)
	if bits == 0 {
		bits = frame.Bits
	}
	if jpeg {
		bits = 8
	}
	ppi := float64(p.ppi)
	if ppi == 0 {
		ppi = printPPI
	}
	progress.report("write", 0)
	err = print.Write(ctx, p.out, stitch.WriteOptions{
		Bits: bits, Quality: p.quality.n, Compression: string(p.compression), Overwrite: p.overwrite, PPI: ppi, Origin: origin, Workers: p.workers.n,
	})
	if err != nil {
		return err
	}
	progress.end()
	return p.tell(cmd.OutOrStdout(), cmd.ErrOrStderr(), print, ppi)
}

// whiteShare is the share of a side of the paper from which on white that nobody asked
// for is remarked: less is lost in the eye's idea of a border.
const whiteShare = 0.03

// beside tells white from a border.
func beside(border lengthFlag) string {
	if border == 0 {
		return ""
	}
	return " beside the border"
}

// tell says what came out, and whether the picture carries it.
func (p *printCommand) tell(w, stderr io.Writer, print *stitch.Print, ppi float64) error {
	if print.CarriedPPI < print.NeededPPI {
		fmt.Fprintf(stderr, "flatfell: warning: the picture carries %.0f pixels an inch on this paper, and from %.0f cm, where it is looked at as a whole, an eye sees %.0f: it will look soft; print it smaller, or take more frames with a longer lens\n",
			print.CarriedPPI, print.DistanceCM, print.NeededPPI)
	}
	if p.quiet {
		return nil
	}
	cm := func(px int) float64 { return plan.PrintCM(float64(px), ppi) }
	across, down := print.PaperMM()
	fmt.Fprintf(w, "%s: %d × %d pixels at %g an inch for %s, %.0f × %.0f mm; the picture is %.1f × %.1f cm.\n",
		p.out, print.Width, print.Height, ppi, p.paper.text, across, down, cm(print.Picture.Dx()), cm(print.Picture.Dy()))
	for _, side := range []struct {
		name           string
		paper, picture float64 // cm
	}{{"width", across / 10, cm(print.Picture.Dx())}, {"height", down / 10, cm(print.Picture.Dy())}} {
		if white := side.paper - 2*float64(p.border)/10 - side.picture; !p.fill && white > whiteShare*side.paper {
			fmt.Fprintf(w, "%.1f cm of the paper's %s stay white%s; --fill cuts the picture to fit.\n", white, side.name, beside(p.border))
		}
	}
	change := fmt.Sprintf("enlarged %.2f times", print.Enlarged)
	if print.Enlarged < 1 {
		change = fmt.Sprintf("reduced to %.0f %%", 100*print.Enlarged)
	}
	_, err := fmt.Fprintf(w, "It is %s and carries %.0f pixels of its own an inch: sharp from %.0f cm on.\n",
		change, print.CarriedPPI, math.Ceil(plan.DistanceCM(print.CarriedPPI, plan.Acuity)))
	return err
}
