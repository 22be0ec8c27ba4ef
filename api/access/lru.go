package access

import (
	"container/list"
	"sync"
)

// An lru keeps at most a number of values and forgets those not used for
// longest, so that strangers cannot make it grow.
type lru[K comparable, V any] struct {
	mu    sync.Mutex
	limit int
	order *list.List // of pair[K, V], last used first
	at    map[K]*list.Element
}

type pair[K comparable, V any] struct {
	key   K
	value V
}

func newLRU[K comparable, V any](limit int) *lru[K, V] {
	return &lru[K, V]{limit: limit, order: list.New(), at: map[K]*list.Element{}}
}

// do calls f with the value under key, the zero value if there is none, and keeps
// what f leaves there. Calls exclude each other, so f must be short.
func (l *lru[K, V]) do(key K, f func(v *V)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	e, ok := l.at[key]
	if ok {
		l.order.MoveToFront(e)
	} else {
		e = l.order.PushFront(&pair[K, V]{key: key})
		l.at[key] = e
	}
	f(&e.Value.(*pair[K, V]).value)
	if l.order.Len() > l.limit {
		last := l.order.Back()
		l.order.Remove(last)
		delete(l.at, last.Value.(*pair[K, V]).key)
	}
}

func (l *lru[K, V]) get(key K) (v V, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	e, ok := l.at[key]
	if !ok {
		return v, false
	}
	l.order.MoveToFront(e)
	return e.Value.(*pair[K, V]).value, true
}

func (l *lru[K, V]) put(key K, v V) { l.do(key, func(p *V) { *p = v }) }

func (l *lru[K, V]) drop(key K) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if e, ok := l.at[key]; ok {
		l.order.Remove(e)
		delete(l.at, key)
	}
}

func (l *lru[K, V]) len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.at)
}
