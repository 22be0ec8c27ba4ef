// Package hook tells an address of the studio's that a job has ended, and if that is
// wanted what an engineer decided about its side: small signed POSTs, each repeated
// until it is taken.
//
//	POST /their/path
//	content-type: application/json
//	webhook-id: msg_JOB_END            the same at every repetition
//	webhook-timestamp: 1772366400      of this try, in seconds
//	webhook-signature: v1,BASE64       HMAC-SHA256 of id.timestamp.body
//	{"type":"job.ended","timestamp":"...","data":{"id":"...","state":"done","verdict":"ready","rev":9,"href":"/v1/jobs/..."}}
//	{"type":"job.decided","timestamp":"...","data":{"id":"...","state":"done","decision":"approve","revision":1,...}}
//
// Headers and signature follow the open specification Standard Webhooks
// (www.standardwebhooks.com). Receivers check them with Verify or a library for
// it, and answer 2xx; 410 stops the repetition. A hook may come twice, after a
// crash between sending and noting that; its id tells. Hooks of different jobs
// come in any order. A job that is retried after its hook was taken is not told
// again. Decisions of one side come in their order, after its end.
//
// # How
//
// Add keeps a record at hook/JOB. Every process of the API runs Run, which walks
// those records, skips jobs that have not ended, claims what is due by
// compare-and-set with a lease, and sends. So one process sends at a time, and if
// it is killed another goes on after the lease. A hook that wants decisions waits
// at hook-decision/JOB after the end was taken, where passes do not read it, and
// comes back when the ledger notes a decision; every few hours all are looked at.
//
// An address comes from outside and may aim at the inside: only public addresses
// are connected to, judged after the name was resolved, at each connection;
// redirects are not followed; no proxy is used.
//
// # Entry points
//
// New, then Hooks.Check and Add for the routes, Run for the process, Nudge for
// whoever sees a job end.
//
// # What it must not know
//
// Routes, tokens, the queue. It reads jobs through Ledger only.
package hook
