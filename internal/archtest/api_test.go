package archtest

import (
	"flag"
	"fmt"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write testdata/api.txt anew")

const apiFile = "testdata/api.txt"

// TestAPI compares what embedders can name with testdata/api.txt, so that nothing
// goes or changes unnoticed.
func TestAPI(t *testing.T) {
	now, err := api(os.DirFS(root(t)))
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(apiFile, []byte(strings.Join(now, "\n")+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	kept, err := os.ReadFile(apiFile)
	if err != nil {
		t.Fatal(err)
	}
	was := strings.Split(strings.TrimSuffix(string(kept), "\n"), "\n")
	const remedy = "if that is meant, run go test ./internal/archtest -update and write it into the CHANGELOG"
	for _, line := range was {
		if _, ok := slices.BinarySearch(now, line); !ok {
			t.Errorf("gone or changed: %s; %s", line, remedy)
		}
	}
	for _, line := range now {
		if _, ok := slices.BinarySearch(was, line); !ok {
			t.Errorf("new or changed: %s; %s", line, remedy)
		}
	}
}

// api returns a line for each exported name of the packages that can be
// imported, each field and method, sorted.
func api(tree fs.FS) (lines []string, err error) {
	for folder := range rooms {
		if strings.Contains("/"+folder, "/internal/") || strings.HasPrefix(folder, "cmd/") {
			continue
		}
		files, err := fs.Glob(tree, path.Join(folder, "*.go"))
		if err != nil {
			return nil, err
		}
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			src, err := fs.ReadFile(tree, name)
			if err != nil {
				return nil, err
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, name, src, parser.SkipObjectResolution)
			if err != nil {
				return nil, err
			}
			for _, d := range file.Decls {
				for _, s := range exported(set, d) {
					lines = append(lines, filepath.ToSlash(folder)+": "+s)
				}
			}
		}
	}
	slices.Sort(lines)
	return slices.Compact(lines), nil // one for each system's twin
}

// exported describes what a declaration exports, a line each.
func exported(set *token.FileSet, d ast.Decl) (lines []string) {
	text := func(n any) string {
		var b strings.Builder
		if err := format.Node(&b, set, n); err != nil {
			return err.Error()
		}
		return strings.Join(strings.Fields(b.String()), " ")
	}
	switch d := d.(type) {
	case *ast.FuncDecl:
		if !d.Name.IsExported() {
			return nil
		}
		receiver := ""
		if d.Recv != nil {
			of := text(d.Recv.List[0].Type)
			if !ast.IsExported(strings.TrimPrefix(of, "*")) {
				return nil
			}
			receiver = "(" + of + ") "
		}
		return []string{"func " + receiver + d.Name.Name + strings.TrimPrefix(text(d.Type), "func")}
	case *ast.GenDecl:
		var like *ast.ValueSpec // what a constant without a value repeats
		for k, spec := range d.Specs {
			switch s := spec.(type) {
			case *ast.TypeSpec:
				if s.Name.IsExported() {
					lines = append(lines, typeLines(s, text)...)
				}
			case *ast.ValueSpec:
				if like == nil || len(s.Values) > 0 || s.Type != nil {
					like = s
				}
				for i, name := range s.Names {
					if !name.IsExported() {
						continue
					}
					line := fmt.Sprintf("%s %s", d.Tok, name)
					if like.Type != nil {
						line += " " + text(like.Type)
					}
					if d.Tok == token.CONST && i < len(like.Values) {
						line += " = " + text(like.Values[i])
						if strings.Contains(line, "iota") {
							line += fmt.Sprintf(" where iota = %d", k)
						}
					}
					lines = append(lines, line)
				}
			}
		}
	}
	return lines
}

// typeLines describes a type, and each exported field or method of it.
func typeLines(s *ast.TypeSpec, text func(any) string) (lines []string) {
	kind, fields, params := "", (*ast.FieldList)(nil), ""
	if s.TypeParams != nil {
		var of []string
		for _, f := range s.TypeParams.List {
			for _, name := range f.Names {
				of = append(of, name.Name+" "+text(f.Type))
			}
		}
		params = "[" + strings.Join(of, ", ") + "]"
	}
	switch of := s.Type.(type) {
	case *ast.StructType:
		kind, fields = "struct", of.Fields
	case *ast.InterfaceType:
		kind, fields = "interface", of.Methods
	default:
		equals := ""
		if s.Assign.IsValid() {
			equals = "= "
		}
		return []string{fmt.Sprintf("type %s%s %s%s", s.Name, params, equals, text(s.Type))}
	}
	head := fmt.Sprintf("type %s%s %s", s.Name, params, kind)
	lines = append(lines, head)
	for _, f := range fields.List {
		tag := ""
		if f.Tag != nil {
			tag = " " + f.Tag.Value
		}
		if len(f.Names) == 0 {
			lines = append(lines, fmt.Sprintf("%s, embeds %s%s", head, text(f.Type), tag))
		}
		for _, name := range f.Names {
			if name.IsExported() {
				lines = append(lines, fmt.Sprintf("%s, %s %s%s", head, name, text(f.Type), tag))
			}
		}
	}
	return lines
}
