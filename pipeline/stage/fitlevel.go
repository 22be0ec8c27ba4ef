package stage

import "math"

// FileGain splits a cut level, in dB re the room's reference, into the gain
// written into the file and the gain left to set at the lathe; their sum is the
// level. truePeakDBTP is the true peak of the treated programme at 0 dB, nil
// where it has none (digital silence).
//
// A level of 0 dB or less goes into the file whole: turning down cannot clip,
// and the lathe stays at its reference. Above 0 dB the file takes what fits
// below p.CeilingDBTP and the lathe the rest. A mix whose own peaks already
// stand above the ceiling is not turned down, only to be turned up again at the
// lathe: that would change every sample and cut the same groove.
func FileGain(levelDB float64, truePeakDBTP *float64, p FitLevelParams) (fileGainDB, latheGainDB float64) {
	if levelDB <= 0 || truePeakDBTP == nil {
		return levelDB, 0
	}
	fileGainDB = math.Min(levelDB, math.Max(0, p.CeilingDBTP-*truePeakDBTP))
	return fileGainDB, levelDB - fileGainDB
}
