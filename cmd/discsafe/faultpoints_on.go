//go:build faultpoints

package main

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"discsafe/cmd/discsafe/service"
	"discsafe/pipeline/sideplan"
	"discsafe/worker"
)

// crashAt names the variable that says where this process ends itself:
// STEP or STEP:N, at the Nth passing. Steps are those of worker.Steps, and
// "stored" and "recorded" of the API; in a process that is both, "worker-" or
// "api-" before the step picks one.
const crashAt = "DISCSAFE_CRASH_AT"

// clockAhead names the variable that says by how much the clock of this process
// is ahead, as 3m; behind, as -3m.
const clockAhead = "DISCSAFE_CLOCK_AHEAD"

// faultVariables are the names of variables that only fault runs read.
func faultVariables() []string { return []string{crashAt, clockAhead, houseEvery, profilesAt} }

func apiSteps() []string { return []string{"stored", "recorded"} }

// houseEvery names the variable that lets a service keep house more often than
// hourly, so that an hour of a fault run sees many rounds.
const houseEvery = "DISCSAFE_HOUSE_EVERY"

// faultPoints puts what the environment asks for into a service: crashes, another
// clock, housework at another pace.
func faultPoints(o *service.Options) error {
	if value := os.Getenv(houseEvery); value != "" {
		d, err := time.ParseDuration(value)
		if err != nil || d <= 0 {
			return &usageError{msg: fmt.Sprintf("%s=%s: want a duration above 0", houseEvery, value)}
		}
		o.HouseEvery = d
	}
	if err := showProfiles(); err != nil {
		return err
	}
	if value := os.Getenv(clockAhead); value != "" {
		by, err := time.ParseDuration(value)
		if err != nil {
			return &usageError{msg: fmt.Sprintf("%s=%s: want a time as 3m or -90s", clockAhead, value)}
		}
		o.Now = func() time.Time { return time.Now().Add(by) }
	}
	value := os.Getenv(crashAt)
	if value == "" {
		return nil
	}
	step, count, counted := strings.Cut(value, ":")
	n := int64(1)
	if counted {
		var err error
		if n, err = strconv.ParseInt(count, 10, 64); err != nil || n < 1 {
			return &usageError{msg: fmt.Sprintf("%s=%s: want a step, or a step and a number from 1", crashAt, value)}
		}
	}
	ofWorker, onlyWorker := strings.CutPrefix(step, "worker-")
	ofAPI, onlyAPI := strings.CutPrefix(step, "api-")
	var passed atomic.Int64
	die := func(now, want string) {
		if now == want && passed.Add(1) == n {
			// As hard as it gets: nothing deferred runs, no connection is closed in order.
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {} // the signal comes
		}
	}
	known := false
	if o.Worker && !onlyAPI && slices.Contains(worker.Steps(), ofWorker) {
		known = true
		o.Step = func(now, _ string) bool { die(now, ofWorker); return true }
	}
	if o.API && !onlyWorker && slices.Contains(apiSteps(), ofAPI) {
		known = true
		o.APIStep = func(now string) { die(now, ofAPI) }
	}
	if !known {
		return &usageError{msg: fmt.Sprintf("%s=%s: no such step here", crashAt, value)}
	}
	return nil
}

// poison breaks the process of a job whose plan asks for it by its catalogue
// number.
func poison(p *sideplan.Plan) {
	switch p.Catalogue {
	case "FAULT-PANIC":
		panic("the plan asked for a panic")
	case "FAULT-MEMORY":
		hunger(2048)
	case "FAULT-HUNGER": // more than a worker may be given, less than the default
		hunger(400)
	case "FAULT-LOOP":
		for { //nolint:staticcheck // an endless loop is what is asked for
		}
	}
}

// hunger takes so much memory, a MiB at a time, every page touched.
func hunger(mib int) {
	var hold [][]byte
	for range mib {
		b := make([]byte, 1<<20)
		for i := 0; i < len(b); i += 4096 {
			b[i] = 1
		}
		hold = append(hold, b)
	}
	runtime.KeepAlive(hold)
}
