package stage

import "discsafe/pipeline/audio"

// MonoSum makes both channels their mean, for a mono cut: afterwards left and
// right are equal bit for bit, so the groove moves sideways only
// (IEC 60098 6.2.2). What was only in the side signal is gone. Equal channels
// pass unchanged. The zero value is ready.
type MonoSum struct{}

// Delay is zero.
func (MonoSum) Delay() int { return 0 }

// Reset does nothing: there is no memory.
func (MonoSum) Reset() {}

// Process writes (L+R)/2 to both channels.
func (MonoSum) Process(b audio.Block) {
	r := b.R[:len(b.L)]
	for i, l := range b.L {
		m := (l + r[i]) / 2
		b.L[i], r[i] = m, m
	}
}
