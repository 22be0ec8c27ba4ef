// Package web is the service's pages: sign-in, the list of jobs, one job. They
// are made on the server and work without script; a small module keeps the page
// of a job current.
//
// Enter at New; Pages.Routes lists every page with what it needs of its caller,
// and Pages.Around gives browsers pages where the service would answer a bare
// problem. Whoever mounts the pages enforces the needs.
//
// Nothing comes from outside the binary, and Policy lets a browser load nothing
// else: no script and no style stands in a page, so none that a title smuggles in
// can run.
//
// The package must not know ledger or store: it asks a Service, which knows who
// is allowed to see what from the identity in the context. What is not for the
// caller looks like what is not there.
package web
