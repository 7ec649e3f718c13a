// Package shareddata finds the photographs that tests read but the project
// does not contain: a folder shared/data beside the project's own folder.
package shareddata

import (
	"os"
	"path/filepath"
	"testing"
)

// Dir returns the path of ../shared/data, seen from the project's root, with
// parts joined to it. The root is the nearest folder above the test's own that
// holds a go.mod.
//
// If the path does not exist, the test is skipped; with the environment
// variable CI set it fails, so that a build server cannot skip in silence.
func Dir(t testing.TB, parts ...string) string {
	t.Helper()
	root, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
			break
		}
		up := filepath.Dir(root)
		if up == root {
			t.Fatal("shareddata: no go.mod above the test's folder")
		}
		root = up
	}
	path := filepath.Join(append([]string{root, "..", "shared", "data"}, parts...)...)
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("shareddata: %v", err)
		}
		t.Skipf("shareddata: %v", err)
	}
	return path
}
