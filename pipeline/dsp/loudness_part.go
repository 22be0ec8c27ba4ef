package dsp

import "math"

// IntegratedBetween is the gated loudness in LUFS of the whole 100 ms hops
// that lie between two times in seconds: for one track of a side.
func (m *Loudness) IntegratedBetween(fromS, toS float64) (lufs *float64, reason string) {
	h := m.Hops()
	from, to := int(math.Ceil(fromS*10-1e-9)), int(math.Floor(toS*10+1e-9))
	from, to = max(from, 0), min(to, len(h))
	if to <= from {
		return nil, reasonUnder400ms
	}
	return gatedLoudness(h[from:to])
}
