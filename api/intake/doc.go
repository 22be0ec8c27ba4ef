// Package intake takes mixes and room files from studios and keeps them in the
// store under the SHA-256 of their bytes, each studio for itself.
//
// There are four ways in, and all end in the same place: resumable uploads
// after tus 1.0 (Intake.Tus), one body whose hash is announced (PutByHash), a
// form with many files (PostForm), and Take for a caller in this process. A
// file is told to be here only once the store has made it durable.
//
// # Keys in the store
//
//	mix/STUDIO/SHA256       the bytes, put once
//	mixinfo/STUDIO/SHA256   record: v1.Mix as JSON, with when it was last wanted
//
// # The spool
//
// A folder for what is under way. Several processes may share it, also on
// several machines if its file system knows flock:
//
//	tus/STUDIO/STUDIO.ID    bytes of a resumable upload; beside them .info and .lock
//	done/STUDIO/STUDIO.ID   which mix a finished upload became, for an hour
//	part/RANDOM             a file whose hash is not known yet; locked while its writer lives
//
// Names given by senders are never paths: they are kept as text, for people.
//
// The package must not know jobs, queues or plans. Who asks comes from package
// access; what is in use comes from Options.Used.
package intake
