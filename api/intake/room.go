package intake

import (
	"context"
	"fmt"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// sumFor is how long the bytes counted for a studio are believed.
const sumFor = 10 * time.Second

// usage is what a studio keeps.
type usage struct {
	at    time.Time
	bytes int64
}

// room says whether n more bytes leave spool and store above the watermark.
func (in *Intake) room(ctx context.Context, n int64) *v1.Problem {
	if in.limits.MinFree < 0 {
		return nil
	}
	if free, known := in.opt.Free(); known && free-n < in.limits.MinFree {
		return full("the spool has no room for it")
	}
	if free, known := in.opt.Store.Free(ctx); known && free-n < in.limits.MinFree {
		return full("the store has no room for it")
	}
	return nil
}

// admit counts one more body of a studio, of n bytes or of an unknown number if
// n is negative. It returns how many bytes may come at most, and what ends the
// counting.
func (in *Intake) admit(ctx context.Context, studio string, n int64) (c *cut, done func(), err error) {
	if n > in.limits.MaxBytes {
		return nil, nil, tooLarge(in.limits.MaxBytes)
	}
	n = max(n, 0)
	if p := in.room(ctx, n); p != nil {
		return nil, nil, p
	}
	c = in.cut(ctx, nil, in.limits.MaxBytes)
	var kept int64
	if in.limits.PerStudioBytes > 0 {
		if kept, err = in.kept(ctx, studio); err != nil {
			return nil, nil, err
		}
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	if limit := in.limits.PerStudioUploads; limit > 0 && in.streams[studio] >= limit {
		return nil, nil, v1.NewProblem(v1.TooMany, fmt.Sprintf("%d bodies of this studio are under way", limit)).After(busyPause)
	}
	if quota := in.limits.PerStudioBytes; quota > 0 {
		left := quota - kept - in.coming[studio]
		if n > left || left <= 0 {
			return nil, nil, overQuota(quota)
		}
		if left < c.limit {
			c.limit, c.over = left, overQuota(quota)
		}
	}
	in.streams[studio]++
	in.coming[studio] += n
	return c, func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		in.coming[studio] -= n
		if in.streams[studio]--; in.streams[studio] == 0 {
			delete(in.streams, studio)
			delete(in.coming, studio)
		}
	}, nil
}

func overQuota(quota int64) *v1.Problem {
	p := full(fmt.Sprintf("this studio may keep %d bytes", quota))
	p.Hint = "wait until older mixes expire, or ask the operator"
	return p
}

// kept counts the bytes a studio keeps, not more often than every sumFor.
func (in *Intake) kept(ctx context.Context, studio string) (int64, error) {
	in.mu.Lock()
	u, ok := in.sums[studio]
	in.mu.Unlock()
	if ok && time.Since(u.at) < sumFor {
		return u.bytes, nil
	}
	u = usage{at: time.Now()}
	for info, err := range store.All(ctx, in.opt.Store, MixKeys+studio+"/") {
		if err != nil {
			return 0, err
		}
		u.bytes += info.Size
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.sums[studio] = u
	return u.bytes, nil
}

// grew notes what was stored since the last count.
func (in *Intake) grew(studio string, n int64) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if u, ok := in.sums[studio]; ok {
		u.bytes += n
		in.sums[studio] = u
	}
}
