// Package deploy holds the texts for operators that the program shows: enter at
// Runbook. It must not know anything else.
package deploy

import _ "embed"

//go:embed runbook.md
var runbook string

// Runbook is runbook.md: one paragraph for each alert, under a heading of its
// name.
func Runbook() string { return runbook }
