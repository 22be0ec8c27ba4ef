// Package v1 holds what crosses the wire of /v1: requests, answers and problems,
// as the server and the client in package client both use them.
//
// Units stand in the names. Times are RFC 3339 in UTC. A field that does not
// apply is left out. Fields may be added; none changes its meaning.
//
// The package must not know how anything is stored or done.
package v1
