// Package demo holds the demo scenario: two weeks of an invented company, as entry lines, with the steps in which they
// are recorded and sent, and what must come out. README.md tells the story.
package demo

import "embed"

// Files are the entry lines (*.ndjson), steps.json and expect.json, at the top of the tree.
//
//go:embed *.ndjson *.json
var Files embed.FS
