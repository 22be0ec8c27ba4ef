package pipeline

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
	"discsafe/pipeline/stage"
)

// AdviceName is the file with advice to the mix, when there is any.
const AdviceName = "advice.txt"

// Bounds of advice: more than a studio would work through helps nobody.
const (
	mostAdvice     = 20
	adviceTogether = 1.0 // s; passages of one stage closer than this are one note
)

// advice says what a studio could change in the mix where treatment goes beyond
// the plan's caps: each passage beyond the cap on reduction, and, where too much of
// the side is treated, the strongest ones.
func (j *job) advice() ([]report.Advice, error) {
	caps := j.plan.Caps
	var out []report.Advice
	worst := map[int][]int{} // indices in out by worst sector
	for _, l := range j.res.links {
		tr := j.res.traces[l.id]
		if tr == nil || l.shadow {
			continue
		}
		often := float64(tr.Treated)/float64(j.before.log.Len()) > caps.MaxTreatedShare
		var own []stage.Passage
		for _, p := range tr.Passages {
			if often || -audio.DB(p.MinGain) > caps.MaxReductionDB+0.05 {
				own = append(own, p)
			}
		}
		own = j.merged(own)
		slices.SortStableFunc(own, func(a, b stage.Passage) int { return cmp.Compare(a.MinGain, b.MinGain) })
		for _, p := range own[:min(len(own), mostAdvice)] {
			a := report.Advice{StartS: round3(j.sectors.Seconds(p.First)), EndS: round3(j.sectors.Seconds(p.Last + 1)), Stage: l.id, ChangeDB: math.Round(audio.DB(p.MinGain)*10) / 10}
			// Gain begins to fall before the sound that asks for it, so maybe before its track.
			a.Track = cmp.Or(j.placeS(a.StartS).Track, j.place(p.WorstSector).Track)
			a.CapDB = math.Min(0, math.Round((a.ChangeDB+caps.MaxReductionDB)*10)/10)
			worst[p.WorstSector] = append(worst[p.WorstSector], len(out))
			out = append(out, a)
		}
	}
	err := j.before.log.Scan(func(first int, run []groove.Motion) {
		for i := range run {
			for _, k := range worst[first+i] {
				out[k].HZ = motionHz(out[k].Stage, &run[i])
			}
		}
	})
	if err != nil {
		return nil, err
	}
	for i := range out {
		j.word(&out[i])
	}
	slices.SortStableFunc(out, func(a, b report.Advice) int { return cmp.Compare(a.ChangeDB, b.ChangeDB) })
	out = out[:min(len(out), mostAdvice)]
	slices.SortStableFunc(out, func(a, b report.Advice) int { return cmp.Compare(a.StartS, b.StartS) })
	return out, nil
}

// merged joins passages that a mixer would take for one.
func (j *job) merged(ps []stage.Passage) []stage.Passage {
	var out []stage.Passage
	for _, p := range ps {
		if n := len(out) - 1; n >= 0 && j.sectors.Seconds(p.First)-j.sectors.Seconds(out[n].Last) < adviceTogether {
			out[n].Last = p.Last
			if p.MinGain < out[n].MinGain {
				out[n].MinGain, out[n].WorstSector = p.MinGain, p.WorstSector
			}
			continue
		}
		out = append(out, p)
	}
	return out
}

// motionHz is about which frequency a sector's motion has: for a sine,
// acceleration is 2 pi f times velocity, and velocity 2 pi f times displacement.
func motionHz(id string, m *groove.Motion) *float64 {
	hz := float64(m.WallAccel) / (2 * math.Pi * float64(m.WallVelocity))
	if id == stage.LimitSides {
		um := math.Max(float64(m.VerticalMaxUM), -float64(m.VerticalMinUM))
		hz = float64(m.VerticalSpeed) / (2 * math.Pi * um * 1e-6)
	}
	if math.IsNaN(hz) || math.IsInf(hz, 0) || hz <= 0 {
		return nil
	}
	return report.Num(hz)
}

// word writes the note.
func (j *job) word(a *report.Advice) {
	a.TrackS, a.Title = a.StartS, ""
	at := "between tracks"
	if a.Track > 0 {
		p := j.side.tracks[a.Track-1]
		a.Title = trackName(a.Track-1, p)
		a.TrackS = round3(math.Max(0, a.StartS-float64(p.start)/float64(j.side.rateHz)))
		at = fmt.Sprintf("%s, %s", a.Title, audio.Timecode(a.TrackS))
	}
	what := ""
	switch {
	case a.Stage == stage.LimitSides:
		a.Band = sidesBand(a.HZ)
		what = fmt.Sprintf("the channels differ by too much in the %s: the groove would get too shallow or too deep. Bring it towards the middle, or take %.1f dB off its side signal", a.Band, -a.ChangeDB)
	default:
		a.Band = trebleBand(a.HZ)
		what = fmt.Sprintf("the %s is too sharp for this radius. Take %.1f dB off it there", a.Band, -a.ChangeDB)
	}
	end := ", and nothing need be treated"
	if a.CapDB < 0 {
		end = fmt.Sprintf(", and nothing need be treated; with %.1f dB treatment stays within the plan's cap", -a.CapDB)
	}
	a.Text = fmt.Sprintf("%s (%s on the side, %.1f s): %s%s.", at, audio.Timecode(a.StartS), a.EndS-a.StartS, what, end)
}

// Bands in a musician's words; common practice, no source.
func trebleBand(hz *float64) string {
	switch {
	case hz == nil:
		return "treble"
	case *hz < 4000:
		return "upper middle, about 2 to 4 kHz (presence of voices and guitars)"
	case *hz < 9000:
		return "sibilance (about 5 to 9 kHz)"
	case *hz < 14000:
		return "range of cymbals and hi-hats (about 9 to 14 kHz)"
	}
	return "air above 14 kHz"
}

func sidesBand(hz *float64) string {
	switch {
	case hz == nil:
		return "bass"
	case *hz < 60:
		return "deep bass below 60 Hz"
	case *hz < 150:
		return "bass, about 60 to 150 Hz (kick, bass guitar)"
	case *hz < 400:
		return "low middle, about 150 to 400 Hz (toms, warmth of keyboards and guitars)"
	}
	return "middle and treble above 400 Hz (wide keyboards, reverberation)"
}

// adviceCues are the notes as points of the difference file, whose time line is
// the side's.
func (j *job) adviceCues(notes []report.Advice) []wav.Cue {
	var out []wav.Cue
	for i, a := range notes {
		out = append(out, wav.Cue{ID: uint32(i + 1), Frame: min(int64(math.Round(a.StartS*float64(j.side.rateHz))), j.side.frames), Label: fmt.Sprintf("%s, %+.1f dB: %s", a.Stage, a.ChangeDB, a.Band)})
	}
	return out
}

// markDifference puts the notes into the difference file, whose time line is the
// side's, as cue points.
func (j *job) markDifference(notes []report.Advice) (err error) {
	if len(notes) == 0 {
		return nil
	}
	f, err := os.OpenFile(j.out.path(DifferenceName), os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("marking the difference: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	// Past 4 GiB without RF64 they stand in the text alone.
	if _, err := wav.AppendCues(f, j.side.frames, j.adviceCues(notes)); err != nil {
		return err
	}
	return f.Sync()
}
