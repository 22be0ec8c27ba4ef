// Package worker is kept for running many sides safely: claim a job, report
// that it is alive, run it, commit its result once. Queue, store and the states
// of a job will live in packages below it. Nothing is built here yet; one side
// is run by calling pipeline.Prepare.
//
// It may import pipeline and everything below it. It must not import api or
// cmd, and it must not know what happens to a side: a job is a plan and its
// files in, a folder out. A test in package pipeline holds these rules.
package worker
