// Package metrics counts what the service does, for Prometheus. All names begin
// with discsafe_ and end in their base unit. No label ever holds a job, studio or
// token: every label takes its values from a short list, and what is not on the
// list counts as "other".
//
// Enter at New; what happened is told by the methods of Metrics, from any
// goroutine; Handler answers scrapes. Describe lists every metric for documents.
//
// The package must not know HTTP routes, stores or how anything is done. It must
// not import api or cmd.
package metrics
