// Package worker runs many sides, safely. A Worker takes messages from the
// queue, claims the job, brings its mixes to a scratch folder, does in a process
// of its own what the job is for (prepare a side, only analyse it, or arrange a
// release), puts the files into the store, and commits the result once.
//
//	step       what happens                                    where
//	fetch      one message at a time for each slot             worker.go
//	claim      compare-and-set in the record; the attempt's    attempt.go,
//	           number is the fence                             package job
//	keep       beats to the record, InProgress to the queue,   keep.go
//	           until the attempt ends
//	bring      mixes from the store, SHA-256 checked           scratch.go
//	prepare    child process "discsafe run-job": the task as   process.go,
//	           JSON on its input, progress on its output;      child.go,
//	           bounds on memory, time and silence              task.go
//	store      files below the attempt's own prefix, each      results.go
//	           held against the result's manifest
//	commit     seal put if absent, then the record by          package job
//	           compare-and-set under the fence
//	settle     the message: Done, Later or Drop                attempt.go
//
// Nothing a job does can hurt another: a panic, a loop, a hunger for memory
// ends one child process and burns one attempt. A worker that is killed leaves
// a scratch folder, which the next one sweeps, and a message, which comes again.
// A worker told to stop takes no new job, gives running ones Options.Grace to
// end, and hands the rest back without burning anything.
//
// # Entry points
//
// New and Worker.Run; Process, the Runner that starts children; Child, the
// other end of it; Ring, the message for a job.
//
// # What it must not know
//
// HTTP, commands, and what happens to a side: a job is a plan and its files in,
// a folder out. It must not import api or cmd.
package worker
