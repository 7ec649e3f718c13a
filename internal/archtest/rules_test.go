package archtest

// module is the module path of the project.
const module = "flatfell.example"

// room is what one folder is for and what it may see. internal/par is for
// everybody and is not listed.
type room struct {
	// imports are the rooms that its code may import.
	imports []string
	// modules are the outside modules that its code may import.
	modules []string
	// why this room sees what it sees.
	why string
}

const (
	gonum    = "gonum.org/v1/gonum"
	ximage   = "golang.org/x/image"
	xcpu     = "golang.org/x/sys/cpu"
	xterm    = "golang.org/x/term"
	xsys     = "golang.org/x/sys"
	metadata = "github.com/bep/imagemeta"
	deflate  = "github.com/klauspost/compress"
	imaging  = "github.com/disintegration/imaging"
	cobra    = "github.com/spf13/cobra"
	pflag    = "github.com/spf13/pflag"
	bar      = "github.com/schollz/progressbar/v3"
	chromedp = "github.com/chromedp/chromedp"
	cdproto  = "github.com/chromedp/cdproto"
	scripts  = "github.com/rogpeppe/go-internal"
	pdf      = "codeberg.org/go-pdf/fpdf"
	fonts    = "golang.org/x/image/font/gofont"
)

// rooms are all folders with Go files, from the ground up.
var rooms = map[string]room{
	"internal/par":      {why: "a worker pool needs nobody"},
	"internal/archtest": {why: "it reads the others' imports and uses none of them"},

	"geom":           {modules: []string{gonum}, why: "angles, rotations, cameras: mathematics only"},
	"raster":         {modules: []string{xcpu}, why: "planes of samples, without knowing where they come from"},
	"internal/optim": {modules: []string{gonum}, why: "searching and least squares know no images"},

	"features": {imports: []string{"geom", "raster"}, modules: []string{xcpu}, why: "corners of planes, matched by rays at most"},
	"warp":     {imports: []string{"geom", "raster"}, modules: []string{xcpu}, why: "a frame on a surface: pixels and cameras, no files"},
	"blend":    {imports: []string{"raster", "internal/optim"}, modules: []string{gonum}, why: "layers of pixels; it knows no cameras, so that a focus bracket can use it too"},
	"plan":     {imports: []string{"geom"}, why: "planning needs angles, never pixels"},

	"internal/photo":   {imports: []string{"geom", "raster"}, modules: []string{ximage, metadata, deflate}, why: "the only room that touches image files"},
	"internal/scene":   {imports: []string{"geom", "raster"}, why: "renders what tests compare with, so it must not use what they test"},
	"internal/measure": {imports: []string{"geom", "raster", "blend"}, why: "compares pictures with the truth, wherever they come from"},

	"stitch": {
		imports: []string{"geom", "raster", "internal/optim", "features", "warp", "blend", "plan", "internal/photo"},
		modules: []string{gonum}, why: "the pipeline puts the floors below together; not internal/scene, which is for tests and the demo",
	},
	"focus": {
		imports: []string{"geom", "raster", "internal/optim", "features", "warp", "blend", "plan", "internal/photo"},
		modules: []string{gonum}, why: "as stitch; the two don't know each other",
	},
	"card": {
		imports: []string{"geom", "raster", "internal/optim", "features", "internal/photo"},
		modules: []string{xsys}, why: "sorting files looks at metadata and likeness, which takes a robust search of a turn, and asks how much room a disk has; how a row is joined is stitch's",
	},

	"internal/report": {
		imports: []string{"stitch", "focus", "card", "plan", "raster", "geom"},
		modules: []string{pdf, fonts}, why: "reads results, computes nothing",
	},
	"bench": {
		imports: []string{
			"geom", "raster", "internal/optim", "features", "warp", "blend", "plan", "internal/photo", "internal/scene", "internal/measure",
			"stitch", "focus", "card", "internal/report",
		},
		modules: []string{gonum}, why: "measures everything but the command",
	},
	"cmd/flatfell": {
		imports: []string{
			"geom", "raster", "warp", "plan", "internal/photo", "internal/scene", "stitch", "focus", "card", "internal/report", "bench",
		},
		modules: []string{cobra, pflag, bar, imaging, xterm}, why: "flags, messages and previews; the pixel work is behind stitch",
	},
	testHelpers: {why: "finds photographs for tests"},
}

// testHelpers is the room that only tests may import.
const testHelpers = "internal/shareddata"

// testImports is what the tests of any room may import beside what its code
// may and the room itself: true pictures with known cameras, how near others come
// to them, real ones, and the files that hold them.
var testImports = []string{"internal/scene", "internal/measure", testHelpers, "internal/photo"}

// testModules is the same for outside modules.
var testModules = []string{gonum, ximage, scripts, chromedp, cdproto}

// onlyIn lists packages that are for some rooms only, tests apart.
var onlyIn = []struct {
	packages []string
	rooms    []string
	why      string
}{
	{[]string{"html/template", pdf}, []string{"internal/report"}, "pages are made in one room"},
	{[]string{"flag", cobra, pflag}, []string{"cmd/flatfell"}, "only the command knows flags"},
	{[]string{"os/signal"}, []string{"cmd/flatfell"}, "a library must leave signals to its program; use the context"},
	{[]string{"image/png", "image/gif", ximage + "/tiff", metadata, deflate}, []string{"internal/photo"}, "files are read and written in one room"},
	{[]string{"image/jpeg"}, []string{"internal/photo", "internal/scene"}, "as above; scene compresses in memory, to see what that does to a frame"},
	{[]string{"testing"}, []string{testHelpers}, "test helpers are no part of the program"},
	{[]string{"unsafe", "C", "reflect"}, nil, "pure Go, readable at first sight"},
}

// forbiddenCalls are functions of the standard library that only the command
// may use, and test helpers.
var forbiddenCalls = []struct {
	pkg, name, why string
}{
	{"os", "Exit", "a library returns an error"},
	{"os", "Getenv", "a library is told by its options"},
	{"os", "LookupEnv", "a library is told by its options"},
	{"os", "Environ", "a library is told by its options"},
	{"log", "Fatal", "a library returns an error"},
	{"log", "Fatalf", "a library returns an error"},
	{"log", "Fatalln", "a library returns an error"},
}
