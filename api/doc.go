// Package api is kept for the service's face to the network: routes and their
// OpenAPI description, sign-in, resumable upload of mixes, lists of jobs, and
// the web pages. Nothing is built here yet. discsafe has no server today; the
// command line in cmd/discsafe is the whole of it.
//
// It may import worker and everything below it. It must not import cmd, and it
// must not open sound, plan or decide anything itself: it hands jobs to worker
// and shows what came back. A test in package pipeline holds these rules.
package api
