package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"iter"
)

// Read returns a record and its version, or ErrNotFound. ErrTooLarge if the
// object is no record.
func Read(ctx context.Context, s Store, key string) ([]byte, Version, error) {
	o, err := s.Open(ctx, key)
	if err != nil {
		return nil, "", err
	}
	defer o.Close()
	info := o.Info()
	if info.Size > MaxRecordBytes {
		return nil, "", &Error{Op: "read", Key: key, Kind: ErrTooLarge, Err: fmt.Errorf("%d bytes, at most %d", info.Size, MaxRecordBytes)}
	}
	data := make([]byte, info.Size)
	if _, err := io.ReadFull(o, data); err != nil {
		return nil, "", &Error{Op: "read", Key: key, Err: err}
	}
	return data, info.Version, nil
}

// pageKeys is how many keys All asks for at a time: what an object store answers
// in one request.
const pageKeys = 1000

// All runs over every object whose key begins with prefix, in order. An error
// ends it.
func All(ctx context.Context, s Store, prefix string) iter.Seq2[Info, error] {
	return func(yield func(Info, error) bool) {
		after := ""
		for {
			page, err := s.List(ctx, prefix, after, pageKeys)
			if err != nil {
				yield(Info{}, err)
				return
			}
			for _, info := range page {
				if !yield(info, nil) {
					return
				}
				after = info.Key
			}
			if len(page) < pageKeys {
				return
			}
		}
	}
}

// Verify reads a whole object and answers ErrDamaged unless it has this size and
// this SHA-256 in hex, as Put told them.
func Verify(ctx context.Context, s Store, key string, size int64, sum string) error {
	o, err := s.Open(ctx, key)
	if err != nil {
		return err
	}
	defer o.Close()
	h := sha256.New()
	n, err := io.Copy(h, o)
	if err != nil {
		return &Error{Op: "verify", Key: key, Err: err}
	}
	if n != size {
		return &Error{Op: "verify", Key: key, Kind: ErrDamaged, Err: fmt.Errorf("%d bytes, %d were written", n, size)}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != sum {
		return &Error{Op: "verify", Key: key, Kind: ErrDamaged, Err: fmt.Errorf("SHA-256 is %s, written was %s", got, sum)}
	}
	return nil
}

// Held returns an object whose content is in memory, for drivers. It keeps data.
func Held(ctx context.Context, info Info, data []byte) Object {
	return &held{ctx: ctx, info: info, r: bytes.NewReader(data)}
}

type held struct {
	ctx  context.Context
	info Info
	r    *bytes.Reader
}

func (h *held) Info() Info { return h.info }

func (h *held) Read(p []byte) (int, error) {
	if err := h.ctx.Err(); err != nil {
		return 0, &Error{Op: "read", Key: h.info.Key, Err: err}
	}
	return h.r.Read(p)
}

func (h *held) ReadAt(p []byte, off int64) (int, error) {
	if err := h.ctx.Err(); err != nil {
		return 0, &Error{Op: "read", Key: h.info.Key, Err: err}
	}
	return h.r.ReadAt(p, off)
}

func (h *held) Seek(offset int64, whence int) (int64, error) { return h.r.Seek(offset, whence) }

func (h *held) Close() error { return nil }

// maxEmptyReads is how often Fill takes nothing without an error for an answer.
const maxEmptyReads = 100

// Fill reads until p is full or r ends, for drivers. The error is io.EOF only if
// r has said so itself: a connection cut off in the middle is no end.
func Fill(r io.Reader, p []byte) (n int, err error) {
	for empty := 0; n < len(p) && err == nil; {
		var m int
		m, err = r.Read(p[n:])
		n += m
		if m > 0 {
			empty = 0
		} else if empty++; empty > maxEmptyReads && err == nil {
			err = io.ErrNoProgress
		}
	}
	if n == len(p) && err == io.EOF {
		err = nil // r says it again
	}
	return n, err
}
