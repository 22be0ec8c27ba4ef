// Package pipeline takes one side from its plan to a proven premaster.
//
// Entry points: Prepare makes the output folder of a side, Measure says which
// groove one file would cut and writes nothing, Check verifies a folder that
// Prepare made. What goes in is a sideplan.Plan, what comes out is a
// report.Report and the files it describes. Of a side that is there, Excerpt,
// GrooveAt and AsTraced give passages: of the programme, of its groove, of what a
// stylus would deliver.
//
// # One side, end to end
//
//	step      what happens                                   where
//	read      heads of all mixes are checked, tracks placed  side.go
//	measure   pass 1: meters and groove of the mixes, and,   passes.go
//	          beside it, the groove as the linear stages
//	          would leave it
//	decide    which filters must act; cut level, depth and   prepare.go,
//	          land; what each limiting stage must watch      package planner
//	(pass)    only if the filters that must act are not      prepare.go
//	          those pass 1 assumed: displacement once more
//	treat     a pass writes premaster and difference: the    attempt.go,
//	          stages in order, gain, one requantisation      process.go
//	prove     a pass reads the written file with the same    attempt.go
//	          meters and the same groove
//	correct   a limit broken in the written file: tighten    prepare.go
//	          the stage or lower the level, treat again:
//	          maxAttempts in all
//	report    verdict, JSON, pages, manifest                 verdict.go, stages.go,
//	                                                         assemble.go, finish.go
//	commit    the folder appears whole, by rename            folder.go
//
// So a side that needs no correction is read once and its premaster written
// once and read once: three passes. Each correction adds two.
//
// Deciding never touches audio. The groove is kept as one record for every
// degree of revolution (groove.Motion) in a temporary file; motion is
// proportional to level, so any level, depth or land plan is tried on these
// records. Memory therefore does not grow with the side but for about one
// number per degree in the land plan.
//
// # Promises
//
// The same mixes, plan, room and version give the same bytes in every file,
// whatever the size of blocks or the number of processors. A side on which no
// stage acts at 0 dB in the file comes out with the samples of the mix,
// undithered. A result is whole or absent, and mixes are only read. A limit
// that the written file still breaks ends in the verdict, never in silence.
//
// # What it must not know
//
// Queues, workers, the network, the command line. It holds no physics (package
// groove), no treatment (package stage) and no rules of choice (package
// planner): it runs them and compares what they promised with the file.
package pipeline
