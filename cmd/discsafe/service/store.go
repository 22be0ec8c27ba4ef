package service

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
	"discsafe/worker/store/s3"
	"discsafe/worker/volume"
)

const reserveSize = 64 << 20 // thousands of records

// OpenStore opens the store. Close must be called once nothing uses it.
func OpenStore(ctx context.Context, o StoreOptions) (_ store.Store, closeStore func() error, _ error) {
	if o.Dir != "" && o.Bucket != "" {
		return nil, nil, refused("a store is a folder or a bucket, not both")
	}
	if o.Bucket != "" {
		s, err := s3.Open(ctx, s3.Options{Bucket: o.Bucket, Prefix: o.Prefix, Endpoint: o.Endpoint, Region: o.Region, PathStyle: o.PathStyle})
		if err != nil {
			return nil, nil, fmt.Errorf("opening the store s3://%s/%s: %w", o.Bucket, o.Prefix, err)
		}
		return s, func() error { return nil }, nil
	}
	if o.Dir == "" {
		return nil, nil, refused("no store is named")
	}
	set(&o.ReserveSize, reserveSize)
	if o.Create {
		if err := os.MkdirAll(o.Dir, 0o700); err != nil {
			return nil, nil, &RefusedError{"the store cannot be made", err}
		}
	}
	s, err := dir.Open(o.Dir, dir.Options{Create: o.Create, ReserveBytes: o.ReserveSize})
	if err != nil {
		return nil, nil, fmt.Errorf("opening the store: %w", err)
	}
	return s, s.Close, nil
}

// takeFolder makes the folder of an all-in-one service, readable by its owner
// only, and locks it until release is called.
func takeFolder(dir string) (release func() error, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, &RefusedError{"the data folder cannot be made", err}
	}
	// A folder that was there before may be open to others.
	if err := os.Chmod(dir, 0o700); err != nil {
		return nil, &RefusedError{"the data folder cannot be kept from others", err}
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, &RefusedError{"the data folder cannot be locked", err}
	}
	free, err := volume.TryLock(f)
	if err == nil && !free {
		err = refused("another service works on %s; end it first, or name another folder with --data", dir)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f.Close, nil
}
