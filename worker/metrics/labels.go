package metrics

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"discsafe/pipeline"
	"discsafe/pipeline/arrange"
	"discsafe/worker"
	"discsafe/worker/job"
)

// other stands for every value that is not on the list of its label, so that
// nobody outside can make series.
const other = "other"

// values is the list of a label.
type values []string

func (v values) of(s string) string {
	if slices.Contains(v, s) {
		return s
	}
	return other
}

// stageName is how the name of a pass stands in a label.
func stageName(pass string) string { return strings.ReplaceAll(pass, " ", "-") }

func passNames() values {
	var v values
	for _, n := range append(pipeline.PassNames(), arrange.PassNames()...) {
		v = append(v, stageName(n))
	}
	return v
}

var (
	lanes    = values{job.Express, job.Bulk}
	verdicts = values{"ready", "attention", "blocked"}
	answers  = values{"yes", "no"}

	// outcomes of attempts. "unrecorded": the store did not take the last word.
	outcomes = values{"done", "failed", "cancelled", "dead", "crashed", "handed-back", "fenced", "unrecorded"}

	// stages are the passes of an attempt, as pipeline and arrange name them, with - for spaces.
	stages = passNames()

	methods = values{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions}

	// failures are the statuses with which the service says that the fault is its own.
	failures = []int{http.StatusInternalServerError, http.StatusServiceUnavailable, http.StatusInsufficientStorage}

	// problems are the codes with which the service refuses.
	problems = values{"bad-request", "not-signed-in", "token-expired", "not-allowed", "cross-site-request", "not-found",
		"method-not-allowed", "not-acceptable", "request-too-slow", "idempotency-key-reused", "state-does-not-allow", "conflict",
		"gone", "too-large", "side-too-long", "media-type-not-supported", "range-not-satisfiable", "invalid", "bad-plan",
		"bad-sound", "mix-missing", "hash-differs", "hook-refused", "too-many-requests", "backlog-full", "upload-conflict",
		"internal", "disk-full", "unavailable", "intake-paused"}

	// signIns are why somebody was not let in, as the gate names it; entries are what it tells besides.
	signIns = values{"sign-in-refused", "sign-in-throttled", "no-credentials", "token-unknown", "token-expired", "token-in-url",
		"bad-credentials", "forbidden", "cross-site", "wrong-host", "rate-limited", "store-failed", "panicked"}
	entries = values{"signed-in", "signed-out"}

	// uploads are what became of files that were taken.
	uploads = values{"stored", "known"}

	// retainedKinds are what retention deletes.
	retainedKinds = values{"jobs", "tombstones"}

	// hookResults are what may become of one try to tell an address.
	hookResults = values{"sent", "retry", "given-up", "gone", "refused", "dropped", "unreadable", "store"}
)

// codes of jobs, and those of a worker's surroundings.
func codes() values {
	var v values
	for _, c := range job.Codes() {
		v = append(v, string(c.Code))
	}
	return append(v, string(worker.CodeQueue))
}

// ends are the codes with which a job can end other than done.
func ends() values {
	var v values
	for _, c := range job.Codes() {
		if c.Kind == job.KindCrash || c.Kind == job.KindFinal || c.Code == job.CodeCancelled {
			v = append(v, string(c.Code))
		}
	}
	return v
}

func statusOf(code int) string {
	if http.StatusText(code) == "" {
		return other
	}
	return strconv.Itoa(code)
}
