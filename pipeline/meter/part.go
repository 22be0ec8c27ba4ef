package meter

import "discsafe/pipeline/audio"

// IntegratedBetween is the integrated loudness in LUFS of the programme
// between two times in seconds, to whole 100 ms; nil with a reason where it
// does not exist.
func (m *Meter) IntegratedBetween(fromS, toS float64) (lufs *float64, reason string) {
	return m.loudness.IntegratedBetween(fromS, toS)
}

// EndPart ends a part of the programme, for instance a track, and returns its
// true peak in dBTP; nil for silence. Result goes on to speak of the whole.
func (m *Meter) EndPart() *float64 {
	p := m.peak.EndPart()
	if !(p.Value > 0) {
		return nil
	}
	v := audio.DB(p.Value)
	return &v
}
