// Package archtest keeps the house in order: its test parses the imports of
// every package and fails on an arrow that the rules don't allow, on a folder
// without a rule, and on things that belong to one room only. DEVELOPERS.md
// has the map; rules_test.go is the same in Go, with the reasons.
//
// The package has no code outside its tests.
package archtest
