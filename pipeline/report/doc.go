// Package report holds what discsafe says about one side: the schema of
// report.json, manifest.json and the measure command's output, and the pages
// that are views of it (report.html, its plots, cutting-sheet.html).
//
// JSON is the truth. Entry points: fill a [Report] and call [Report.Write],
// [WriteHTML] and [WriteCuttingSheet]; read it back with [Read]. A value that
// does not exist is nil and has a reason in the Unavailable map beside it,
// keyed by the field's JSON name; it is never a made-up number.
//
// The same report gives the same bytes: nothing here reads the clock, the
// environment or a map in iteration order.
//
// The package must not know how anything was computed. It imports no other
// package of the module: plan, room and stage parameters arrive as JSON
// ([RawOf]), limits and figures as plain numbers in the units of their names.
package report
