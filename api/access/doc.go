// Package access decides who may come in: tokens and their roles, browser
// sessions, rates, proxies, and what every answer carries for safety.
//
// Enter at Gate.Wrap, which surrounds the whole service, and at Require, which
// every route calls with the Permission it needs. What is not allowed in so many
// words is refused: a path that is not public needs an identity, a store that
// cannot be asked answers 503, never "come in".
//
// Secrets are 256 random bits. The store knows only their SHA-256, so whoever
// reads it cannot sign in; a slow hash is not needed, as nobody guesses 256 bits.
// They appear once, in the answer that issues them (SecretPattern finds them
// elsewhere), and are taken from the Authorization header, from the body of
// POST /v1/session or from the session's cookie, never from an address.
//
// A revoked token is refused within RevokedWithin everywhere, and at once in the
// process that revoked it; its sessions die with it.
//
// Request ids are taken from trusted proxies only: an id is what an operator
// searches the log for, so a stranger must not choose it. A trace id is taken
// from anybody, since following a client's own trace is its purpose; it is never
// used to find a request.
//
// The package must not know jobs, mixes or pages.
package access
