package main

import (
	"context"
	"io"
	"sync/atomic"

	"discsafe/worker/store"
)

// counted counts the calls of a store.
type counted struct {
	store.Store
	io.Closer
	n atomic.Int64
}

// Put implements store.Store.
func (c *counted) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	c.n.Add(1)
	return c.Store.Put(ctx, key, r)
}

// PutIfAbsent implements store.Store.
func (c *counted) PutIfAbsent(ctx context.Context, key string, data []byte) error {
	c.n.Add(1)
	return c.Store.PutIfAbsent(ctx, key, data)
}

// Swap implements store.Store.
func (c *counted) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	c.n.Add(1)
	return c.Store.Swap(ctx, key, old, data)
}

// Open implements store.Store.
func (c *counted) Open(ctx context.Context, key string) (store.Object, error) {
	c.n.Add(1)
	return c.Store.Open(ctx, key)
}

// Stat implements store.Store.
func (c *counted) Stat(ctx context.Context, key string) (store.Info, error) {
	c.n.Add(1)
	return c.Store.Stat(ctx, key)
}

// List implements store.Store.
func (c *counted) List(ctx context.Context, prefix, after string, limit int) ([]store.Info, error) {
	c.n.Add(1)
	return c.Store.List(ctx, prefix, after, limit)
}

// Delete implements store.Store.
func (c *counted) Delete(ctx context.Context, key string) error {
	c.n.Add(1)
	return c.Store.Delete(ctx, key)
}
