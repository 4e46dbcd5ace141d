package frame

import (
	"container/list"
	"sync"
)

// recent remembers a bounded number of values, those last asked for.
type recent[K comparable, V any] struct {
	most int

	mu    sync.Mutex
	byKey map[K]*list.Element
	order *list.List // of *remembered[K, V], newest first
}

type remembered[K comparable, V any] struct {
	key   K
	value V
}

func newRecent[K comparable, V any](most int) *recent[K, V] {
	return &recent[K, V]{most: most, byKey: map[K]*list.Element{}, order: list.New()}
}

// get gives the value of a key, made anew where none is remembered.
func (r *recent[K, V]) get(key K, fresh func(K) V) V {
	r.mu.Lock()
	defer r.mu.Unlock()
	if e, ok := r.byKey[key]; ok {
		r.order.MoveToFront(e)
		return e.Value.(*remembered[K, V]).value
	}
	value := fresh(key)
	r.put(key, value)
	return value
}

// look gives the value of a key, if one is remembered.
func (r *recent[K, V]) look(key K) (value V, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if e, ok := r.byKey[key]; ok {
		r.order.MoveToFront(e)
		return e.Value.(*remembered[K, V]).value, true
	}
	return value, false
}

// keep remembers a value; forget forgets it.
func (r *recent[K, V]) keep(key K, value V) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.drop(key)
	r.put(key, value)
}

func (r *recent[K, V]) forget(key K) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.drop(key)
}

func (r *recent[K, V]) put(key K, value V) {
	for r.order.Len() >= r.most {
		r.drop(r.order.Back().Value.(*remembered[K, V]).key)
	}
	r.byKey[key] = r.order.PushFront(&remembered[K, V]{key, value})
}

func (r *recent[K, V]) drop(key K) {
	if e, ok := r.byKey[key]; ok {
		r.order.Remove(e)
		delete(r.byKey, key)
	}
}
