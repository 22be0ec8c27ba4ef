// Package web is the service's pages: to hand in sides and albums, to follow,
// audit and sign off jobs, for presets and rooms, and for whoever operates the
// service. They are made on the server and work without script, but for sound and
// the time line; small modules keep lists and jobs current.
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
