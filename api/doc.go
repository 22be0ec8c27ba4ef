// Package api is the service's face to the network: everything below /v1, its
// OpenAPI description, the pages (package web), and the health of the process.
//
// Enter at New and Server.Handler; Server.Run does what must happen beside
// requests. HTTPServer and LimitListener hold the handler to the network.
//
// # One table of routes
//
// Every route is entered in one table (routes.go) with what it needs of its
// caller: nothing, an identity, or a permission. The router enforces the table and
// the OpenAPI document shows it (x-permission), so they cannot differ; what is not
// in the table cannot be registered. JSON routes go through huma, which checks
// requests against the document; uploads, events, files, sound and submissions
// are plain handlers whose description is written by hand.
//
// # Who does what
//
//	around, short      time and size of every request           serve.go
//	Gate               who is it, how often, log, panics         package access
//	routes             which handler, and may the caller         routes.go
//	intake             mixes and room files                      package intake
//	submit             plan and files looked at, job made        submit.go, form.go, examine.go
//	gatekeeper         paused, full, too many                    gatekeeper.go
//	watcher, feed      news of jobs for event streams            watch.go, feed.go, events.go
//	files, excerpts    results                                   files.go, audio.go
//	groove             the groove around a moment                grooveview.go
//	sign-off, presets  decisions about a side; kept settings     signoff.go, presets.go
//	operating          how it stands, workers, many jobs         status.go, workers.go, bulk.go
//	pages              the same for people, package web          pages.go, pages_*.go
//	test cuts          files of their page, made as they go out  pages_testcut.go
//
// Every error is a v1.Problem. What belongs to another studio is answered with
// the bytes of what does not exist.
//
// The package must not import cmd, and must not decide anything about a side: it
// hands jobs to worker and shows what came back.
package api
