package api

import "sync"

// quota bounds how many of something there are, in all and for each owner.
type quota struct {
	all, each int

	mu   sync.Mutex
	n    int
	owns map[string]int
}

func newQuota(all, each int) *quota { return &quota{all: all, each: each, owns: map[string]int{}} }

// take answers whether there may be one more; owner "" is bounded by all alone.
func (q *quota) take(owner string) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.n >= q.all || owner != "" && q.owns[owner] >= q.each {
		return false
	}
	q.n++
	if owner != "" {
		q.owns[owner]++
	}
	return true
}

func (q *quota) give(owner string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.n--
	if owner == "" {
		return
	}
	if q.owns[owner]--; q.owns[owner] == 0 {
		delete(q.owns, owner)
	}
}

func (q *quota) count() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.n
}
