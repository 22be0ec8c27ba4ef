// Package queuetest is the conformance suite of queues. Each driver's test
// calls Run with a way to make a broker; whatever package queue promises is
// proven there, for all drivers alike.
//
// Times are real. A lower bound (nothing comes before AckWait) is exact; an
// upper bound is generous (patience), because a busy machine is late, and no
// test passes by being early.
package queuetest
