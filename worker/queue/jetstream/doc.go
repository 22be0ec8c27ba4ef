// Package jetstream is the queue on NATS JetStream: embedded in the process
// without a port (StartBroker), or a server or cluster elsewhere.
//
// # Layout
//
//	<name>-jobs   work queue, file, one message for each subject, new ones refused
//	              <name>.jobs.<lane>.<studio hash>.<job>-<attempt>
//	<name>-dead   dead letters, 90 days: <name>.dead.<lane>.<studio hash>.<job>-<attempt>
//	consumers     <lane>-<studio hash>, durable, pull, made when a studio has work and
//	              removed by the server after some hours without
//	<name>.rung.> every message again once it is stored, headers only: wakes Fetch
//
// One consumer for each lane and studio is what makes fairness possible: a
// consumer is first in, first out, so one for all would serve 500 jobs of one
// studio before another's only one. Fetch asks the consumers that may have
// something, in the order of queue.Turns, for one message each and without
// waiting, so nothing is ever held in advance and AckWait begins when work does.
// Which may have something is known from rung, from a sweep over the subjects
// now and then, and by asking again every Poll (a redelivery rings no bell).
//
// One subject for each attempt is what makes ringing twice harmless for ever,
// not only for the seconds of a dedupe window: the stream refuses the second.
//
// # What of JetStream is defended against
//
//   - It acknowledges before it syncs, unless told otherwise: Open refuses a
//     broker whose servers do not all sync always, and checks again after each
//     reconnect, before the next Publish (sync.go).
//   - A message past its delivery limit stays for ever: there is no limit;
//     whoever counts attempts drops it, and dead letters are written by us.
//   - A bare Nak comes back at once: only delayed ones are sent.
//   - A lost storage: streams are made anew when found missing, and number their
//     messages from the time in microseconds, so that a late ack from before
//     cannot hit a message from after.
//   - Calls that get no answer: each has a short time of its own; publishing does
//     not buffer while disconnected.
//
// A user on a cluster needs publish rights on $JS.API.>, $JS.ACK.> and
// <name>.>, and subscribe rights on _INBOX.> and <name>.rung.>.
//
// Enter at Open. The package must not know of jobs, stores or sides.
package jetstream
