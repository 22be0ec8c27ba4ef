package main

import (
	"context"
	"time"

	"discsafe/worker/job"
)

// expireAll is a pass of retention without its rests.
func expireAll(ctx context.Context, l *job.Ledger, now time.Time) (jobs int, err error) {
	for _, walk := range []func(after string) (job.Batch, error){
		func(after string) (job.Batch, error) {
			b, err := l.Expire(ctx, keepDays*24*time.Hour, now, after, 100)
			jobs += b.Removed
			return b, err
		},
		func(after string) (job.Batch, error) { return l.Lay(ctx, now, after, 100) },
	} {
		for after := ""; ; {
			b, err := walk(after)
			if err != nil {
				return jobs, err
			}
			if after = b.Next; after == "" {
				break
			}
		}
	}
	return jobs, nil
}

// layHundred removes a hundred tombstones.
func layHundred(ctx context.Context, l *job.Ledger, now time.Time) (n int, err error) {
	b, err := l.Lay(ctx, now, "", 100)
	return b.Removed, err
}
