package meter

// IntegratedBetween is the integrated loudness in LUFS of the programme
// between two times in seconds, to whole 100 ms; nil with a reason where it
// does not exist.
func (m *Meter) IntegratedBetween(fromS, toS float64) (lufs *float64, reason string) {
	return m.loudness.IntegratedBetween(fromS, toS)
}
