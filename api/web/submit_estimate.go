package web

import (
	"math"

	"discsafe/pipeline/groove"
)

// estimate says how long a side may be, from the disc and the room alone, before
// anything has been measured. It is a rule of thumb and is called an estimate
// wherever it is shown; the job computes the truth from the sound.
//
// A turn of silence takes the groove's width and the least land. What a usual
// programme adds at 0 dB is taken from the full playing time that the disc format
// proposes (groove.SideMinutes): the pitch of that time less a silent turn of the
// generic room. It is motion, so it scales with the level. A disc with radii of its
// own that keeps the minutes of its format has that format's motion. Land counts from the
// outermost groove to the quality limit, as the planner counts it.
type estimate struct {
	landUM, silentUM, swingUM, turnS float64
}

func estimateOf(disc groove.Disc, room groove.Room) estimate {
	disc = disc.WithRadii(room.Radius)
	e := estimate{landUM: disc.BandMM() * 1000, silentUM: silentTurnUM(room), turnS: disc.SecondsPerTurn()}
	if format, err := groove.LookupDisc(disc.ID); err == nil && format.SideMin == disc.SideMin {
		disc = format.WithRadii(room.Radius)
	}
	if full := disc.SideMin.Full * 60; full > 0 {
		e.swingUM = max(0, disc.BandMM()*1000*disc.SecondsPerTurn()/full-silentTurnUM(groove.DefaultRoom()))
	}
	return e
}

func silentTurnUM(room groove.Room) float64 {
	return max(room.Groove.WidthUM+room.Groove.MinLandUM, room.Pitch.MinUM)
}

func (e estimate) seconds(pitchUM float64) float64 {
	if pitchUM <= 0 {
		return 0
	}
	return e.landUM / pitchUM * e.turnS
}

// longestS is the length of a side that holds nothing but silence: no programme
// is longer.
func (e estimate) longestS() float64 { return e.seconds(e.silentUM) }

// usualS is about how long a usual programme may be at a level in dB re the
// room's reference.
func (e estimate) usualS(levelDB float64) float64 {
	return e.seconds(e.silentUM + e.swingUM*math.Pow(10, levelDB/20))
}

// levelDB is the level at which a usual programme of that length about fits; ok
// is false where no level does. It is +Inf where minutes of the disc's own say
// that a usual programme takes no land.
func (e estimate) levelDB(lengthS float64) (db float64, ok bool) {
	if lengthS <= 0 {
		return 0, false
	}
	swing := e.landUM*e.turnS/lengthS - e.silentUM
	if swing <= 0 {
		return 0, false
	}
	return 20 * math.Log10(swing/e.swingUM), true
}
