// Package job keeps the records of jobs: what was asked, in which state it is,
// who works on it, what became of it. A record is one small JSON document in
// the store, and every change of it is a compare-and-set; so the store alone
// says what is true, whatever messages are lost, doubled or late.
//
// # States
//
//	                claim                     done (sealed result)
//	Submit -> ACCEPTED ------> RUNNING ---------------------------> DONE
//	            ^  |            |  |  |
//	            |  |  hand-back |  |  |  bad input
//	            |  +<-----------+  |  +---------------------------> FAILED
//	            |  |               |
//	            |  | cancel        |     cancel seen by the worker
//	            |  +---------------+------------------------------> CANCELLED
//	            |                  |
//	            |                  |     crashed or lost too often
//	            |                  +------------------------------> DEAD
//	            |
//	            +---- Retry, by hand: from FAILED, CANCELLED, DEAD
//
// Every arrow is appended to the record's history with time, attempt and
// reason code (table Codes). An ended job can be deleted; what is left is a
// tombstone, see Ledger.Delete. A hand-back happens when a worker shuts down, has
// no room, or cannot reach the store: it burns nothing. A crash burns one of
// Limits.Crashes, a worker that vanished one of Limits.Losses.
//
// # Fencing
//
// Claim raises Record.Attempt by compare-and-set; the number is the fence. Each
// later word of that worker (Beat, HandBack, Fail, Crash, Finish) is accepted
// only while the record still carries that number. A worker that slept through
// its lease gets a *FencedError and must throw its work away.
//
// A result is written below a prefix of its own attempt, then sealed: the seal,
// put if absent, lists every file with size and SHA-256. Only Finish, a
// compare-and-set under the fence, makes it the result of the job. A worker
// that dies between seal and Finish loses nothing: the next Claim finds the
// seal and finishes the job with it.
//
// # Sign-off
//
// Of a prepared side that is done, an engineer's decisions are appended to
// Record.Signoff: approve, return with a note, reopen. An approval names the
// manifest that was looked at and locks the job: it is neither retried nor
// deleted, by nobody and no retention, until it is reopened. Nothing else can
// change its result: done has no arrow out, and its fence is up. Lock and
// deletion are changes of one record, so one of the two is refused. See
// Ledger.Sign.
//
// # Revisions
//
// A job may take the place of an earlier one of its studio: Request.Revises
// names it, Request.Root the first of the chain, Request.Revision counts. The
// earlier one is not changed but for RevisedBy, the newest that revises it; also
// an approved one can be revised, and stays approved. See Ledger.Revise.
//
// # Keys in the store
//
//	record/ID               the record
//	open/ID                 marker: not ended yet; what the reconciler walks
//	studio/STUDIO/ID        marker: jobs of a studio, for listing
//	idem/STUDIO/SHA256      idempotency key: which job it made
//	result/ID/ATTEMPT/NAME  files of an attempt
//	seal/ID/ATTEMPT         their list, put if absent once all are stored
//	revision/ROOT/ID        marker: takes the place of the job ROOT or of one after it
//	news/MINUTE/ID          note: an engineer decided about it then; kept for two hours
//	ended/MINUTE/ID         marker: ended then and may be deleted when its time is over
//	buried/MINUTE/ID        marker: was deleted then; its tombstone goes two weeks later
//
// An ID sorts newest first, so a plain walk over keys is the order of lists.
// Markers can be rebuilt from the records (Ledger.Rebuild).
//
// # Entry points
//
// Ledger.Submit, Get, List, Cancel, Retry and Delete serve the side of the
// studio; Ledger.Claim and the Hold it returns serve workers; Reconciler rings
// again for what the broker forgot; Expire and Lay are retention; Rebuild walks
// over everything, mends markers and tells which mixes are used.
//
// # Retention
//
// Every job is met by a walk. While it is open that is the Reconciler's; before it
// loses that marker it gets one below ended/, where Expire finds it, oldest first,
// without looking at what is not due. Deleting makes a tombstone, and when all else
// is gone a marker below buried/, where Lay finds it once. An approved job that
// Expire meets is put off: a later marker first, then the old one goes. Reopening
// marks before it changes the record. So wherever a process ends, something still
// leads to the job, and a marker too many costs one look. A version that knew no
// such markers leaves jobs without: Rebuild gives them theirs within a day.
//
// # What it must not know
//
// Queues, processes, the network, sound. Time comes from a function given to
// it, and clocks of different machines need not agree: see Hold.
package job
