package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
)

func TestHouse(t *testing.T) {
	complaints, packages, err := check(os.DirFS(root(t)))
	if err != nil {
		t.Fatal(err)
	}
	if packages < 10 {
		t.Errorf("only %d packages found", packages)
	}
	for _, c := range complaints {
		t.Error(c)
	}
}

// root is the nearest folder above that holds a go.mod.
func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	for err == nil {
		if _, statErr := os.Stat(filepath.Join(dir, "go.mod")); statErr == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			err = fs.ErrNotExist
		}
		dir = filepath.Dir(dir)
	}
	t.Fatal(err)
	return ""
}

// check parses all Go files of a source tree and returns what is against the
// rules, and the number of packages.
func check(tree fs.FS) (complaints []string, packages int, err error) {
	seen := map[string]bool{}
	err = fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := d.Name()
		if d.IsDir() {
			// What the go tool skips, too.
			if name != "." && (base == "testdata" || strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_")) {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(base, ".go") {
			return nil
		}
		src, err := fs.ReadFile(tree, name)
		if err != nil {
			return err
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, src, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		folder := path.Dir(name)
		r, ok := rooms[folder]
		if !ok {
			complaints = append(complaints, fmt.Sprintf("%s: the folder %s has no rule; give it one, or put the file where it belongs", name, folder))
			return nil
		}
		seen[folder] = true
		f := source{name: name, folder: folder, room: r, isTest: strings.HasSuffix(base, "_test.go"), file: file, set: set}
		complaints = append(complaints, f.imports()...)
		complaints = append(complaints, f.calls()...)
		complaints = append(complaints, f.signatures()...)
		return nil
	})
	return complaints, len(seen), err
}

// source is one parsed file.
type source struct {
	name, folder string
	room         room
	isTest       bool
	file         *ast.File
	set          *token.FileSet
}

func (f *source) complain(at token.Pos, format string, a ...any) string {
	return fmt.Sprintf("%s:%d: ", f.name, f.set.Position(at).Line) + fmt.Sprintf(format, a...)
}

// imports checks the file's arrows.
func (f *source) imports() (out []string) {
	for _, spec := range f.file.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue // the parser took it, so it is sound
		}
		inside, isInside := strings.CutPrefix(p, module+"/")
		switch {
		case isInside:
			allowed := inside == "internal/par" || slices.Contains(f.room.imports, inside)
			if f.isTest {
				allowed = allowed || inside == f.folder || slices.Contains(testImports, inside)
			}
			if !allowed {
				out = append(out, f.complain(spec.Pos(), "%s must not import %s: %s", f.folder, inside, f.room.why))
			}
		case isModule(p):
			ok := anyOf(f.room.modules, p) || f.isTest && anyOf(testModules, p)
			if !ok {
				out = append(out, f.complain(spec.Pos(), "%s must not import the module of %s: %s", f.folder, p, f.room.why))
			}
		}
		if f.isTest {
			continue
		}
		for _, rule := range onlyIn {
			if anyOf(rule.packages, p) && !slices.Contains(rule.rooms, f.folder) {
				out = append(out, f.complain(spec.Pos(), "%s must not import %s: %s", f.folder, p, rule.why))
			}
		}
	}
	return out
}

// isModule reports whether an import path is of a module, not of the standard
// library: its first element has a dot.
func isModule(p string) bool {
	first, _, _ := strings.Cut(p, "/")
	return strings.Contains(first, ".")
}

// anyOf reports whether p is one of the packages or below one of them.
func anyOf(packages []string, p string) bool {
	return slices.ContainsFunc(packages, func(q string) bool { return p == q || strings.HasPrefix(p, q+"/") })
}

// calls finds uses of functions that only the command may use.
func (f *source) calls() (out []string) {
	if f.isTest || f.folder == testHelpers || strings.HasPrefix(f.folder, "cmd/") {
		return nil
	}
	ast.Inspect(f.file, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, ok := sel.X.(*ast.Ident)
		if !ok {
			return true
		}
		for _, c := range forbiddenCalls {
			if sel.Sel.Name == c.name && f.importOf(x.Name) == c.pkg {
				out = append(out, f.complain(sel.Pos(), "%s must not use %s.%s: %s", f.folder, c.pkg, c.name, c.why))
			}
		}
		return true
	})
	return out
}

// importOf returns the import path behind a name of the file, "" if none.
func (f *source) importOf(name string) string {
	for _, spec := range f.file.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue
		}
		if spec.Name != nil && spec.Name.Name == name || spec.Name == nil && path.Base(p) == name {
			return p
		}
	}
	return ""
}

// signatures finds types of internal packages in what an embedder sees: he
// could not name them.
func (f *source) signatures() (out []string) {
	if f.isTest || strings.HasPrefix(f.folder, "internal/") || strings.HasPrefix(f.folder, "cmd/") {
		return nil
	}
	look := func(what string, n ast.Node) {
		ast.Inspect(n, func(n ast.Node) bool {
			if field, ok := n.(*ast.Field); ok && len(field.Names) > 0 &&
				!slices.ContainsFunc(field.Names, func(id *ast.Ident) bool { return id.IsExported() }) && what != "func" {
				return false // a hidden field
			}
			if sel, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := sel.X.(*ast.Ident); ok && strings.HasPrefix(f.importOf(x.Name), module+"/internal/") {
					out = append(out, f.complain(sel.Pos(), "%s shows its users the internal type %s.%s, which they can't name", f.folder, x.Name, sel.Sel.Name))
				}
			}
			return true
		})
	}
	for _, decl := range f.file.Decls {
		switch d := decl.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && (d.Recv == nil || exportedReceiver(d.Recv)) {
				look("func", d.Type)
			}
		case *ast.GenDecl:
			for _, spec := range d.Specs {
				if ts, ok := spec.(*ast.TypeSpec); ok && ts.Name.IsExported() {
					look("type", ts.Type)
				}
			}
		}
	}
	return out
}

func exportedReceiver(recv *ast.FieldList) bool {
	exported := false
	ast.Inspect(recv.List[0].Type, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok && id.IsExported() {
			exported = true
		}
		return true
	})
	return exported
}

// TestRulesBite feeds the checker one breach of each rule.
func TestRulesBite(t *testing.T) {
	for _, tt := range []struct {
		name, file, src string
		want            string // part of the only complaint; empty: none
	}{
		{"sound", "warp/a.go", `package warp; import "flatfell.example/geom"; func F(geom.Pt) {}`, ""},
		{"everybody's", "raster/a.go", `package raster; import _ "flatfell.example/internal/par"`, ""},
		{"upward", "geom/a.go", `package geom; import _ "flatfell.example/stitch"`, "geom must not import stitch"},
		{"sideways", "blend/a.go", `package blend; import _ "flatfell.example/warp"`, "blend must not import warp"},
		{"of the command", "bench/a.go", `package bench; import _ "flatfell.example/cmd/flatfell"`, "bench must not import cmd/flatfell"},
		{"no rule", "utils/a.go", `package utils`, "utils has no rule"},
		{"below a room", "geom/deep/a.go", `package deep`, "geom/deep has no rule"},
		{"at the root", "a.go", `package flatfell`, "has no rule"},
		{"fixtures", "stitch/testdata/a.go", `package broken; import _ "flatfell.example/cmd/flatfell"`, ""},
		{"module", "geom/a.go", `package geom; import _ "golang.org/x/term"`, "must not import the module"},
		{"page", "stitch/a.go", `package stitch; import _ "html/template"`, "must not import html/template"},
		{"flag", "stitch/a.go", `package stitch; import _ "flag"`, "only the command knows flags"},
		{"flag in a test", "stitch/a_test.go", `package stitch; import _ "flag"`, ""},
		{"codec", "stitch/a.go", `package stitch; import _ "image/png"`, "one room"},
		{"testing", "stitch/a.go", `package stitch; import _ "testing"`, "test helpers"},
		{"helper", "stitch/a.go", `package stitch; import _ "flatfell.example/internal/shareddata"`, "must not import internal/shareddata"},
		{"helper in a test", "stitch/a_test.go", `package stitch; import _ "flatfell.example/internal/shareddata"`, ""},
		{"scene", "stitch/a.go", `package stitch; import _ "flatfell.example/internal/scene"`, "must not import internal/scene"},
		{"scene in a test", "features/a_test.go", `package features; import _ "flatfell.example/internal/scene"`, ""},
		{"test upward", "geom/a_test.go", `package geom; import _ "flatfell.example/stitch"`, "geom must not import stitch"},
		{"exit", "stitch/a.go", `package stitch; import "os"; func f() { os.Exit(1) }`, "must not use os.Exit"},
		{"environment", "stitch/a.go", `package stitch; import "os"; var v = os.Getenv("X")`, "must not use os.Getenv"},
		{"renamed", "stitch/a.go", `package stitch; import sys "os"; var v = sys.Getenv`, "must not use os.Getenv"},
		{"a field of that name", "stitch/a.go", `package stitch; func f(os struct{ Exit int }) int { return os.Exit }`, ""},
		{"command", "cmd/flatfell/a.go", `package main; import "os"; func f() { os.Exit(1) }`, ""},
		{"result", "stitch/a.go", `package stitch; import "flatfell.example/internal/photo"; func F() *photo.File { return nil }`, "internal type photo.File"},
		{"method", "stitch/a.go", `package stitch; import "flatfell.example/internal/photo"; type T int; func (*T) F(f photo.File) {}`, "internal type photo.File"},
		{"field", "stitch/a.go", `package stitch; import "flatfell.example/internal/photo"; type T struct{ F photo.File }`, "internal type photo.File"},
		{"hidden field", "stitch/a.go", `package stitch; import "flatfell.example/internal/photo"; type T struct{ f photo.File }`, ""},
		{"hidden function", "stitch/a.go", `package stitch; import "flatfell.example/internal/photo"; func f() *photo.File { return nil }`, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, _, err := check(fstest.MapFS{tt.file: {Data: []byte(tt.src)}})
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case tt.want == "" && len(got) > 0:
				t.Errorf("complaints about sound code: %q", got)
			case tt.want != "" && (len(got) != 1 || !strings.Contains(got[0], tt.want)):
				t.Errorf("complaints %q, want one with %q", got, tt.want)
			}
		})
	}
}
