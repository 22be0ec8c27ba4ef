// Package client speaks to a service over /v1: it hands in mixes, submits
// sides and releases, follows jobs and fetches results. New makes a Client; the example of
// the package shows the whole way.
//
// What breaks on the way is mended where that is safe. Questions, uploads by
// hash and submissions with their idempotency key are repeated after broken
// lines, 429 and 5xx, as long apart as the service asks. What would do harm
// twice, a new token or a retry of a job, is repeated only if it surely was
// not done. Uploads and downloads go on where they broke off, and nothing
// counts as fetched before its SHA-256 is right.
//
// Errors that the service tells are *v1.Problem (errors.As), with a stable code
// and a hint. An answer that is not the service's own, such as a proxy's page,
// is *AnswerError; bytes that are not those announced are *HashError.
//
// The token goes to the server given and nowhere else: redirects are not
// followed, and addresses in answers are not used as they stand.
//
// The package must know nothing of the module but the wire types of api/v1.
package client
