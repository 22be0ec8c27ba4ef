package report

import (
	"math"
	"regexp"
	"strings"
)

// referenceText says what 0 dB means, with the equal value on the other axis,
// because lateral against channel and peak against rms are the usual traps.
func referenceText(r Reference) string {
	peak := r.VelocityCMS
	if r.Kind == "rms" {
		peak *= math.Sqrt2
	}
	lateral, channel := peak, peak/math.Sqrt2
	if r.Axis == "channel" {
		lateral, channel = peak*math.Sqrt2, peak
	}
	return "0 dB is a " + with(number(r.HZ, 0), "Hz") + " tone at " + with(number(r.DBFS, 1), "dBFS") + " peak, equal in both channels, cut at " +
		with(number(r.VelocityCMS, 2), "cm/s") + " " + r.Axis + " " + r.Kind +
		" (peak: " + with(number(lateral, 2), "cm/s") + " lateral, " + with(number(channel, 2), "cm/s") + " per channel)."
}

func landPairs(l Land) []pair {
	unknown := func(name string) string { return l.Unavailable[name] }
	out := []pair{
		{"Land planned", quantity(l.PlannedMM, 2, "mm"), unknown("planned_mm")},
		{"Least land any plan could take", quantity(l.BoundMM, 2, "mm"), unknown("bound_mm")},
		{"Planned over least", quantity(l.Ratio, 3, "ratio"), unknown("ratio")},
		{"Land available", quantity(l.AvailableMM, 2, "mm"), unknown("available_mm")},
		{"Land with one fixed pitch", quantity(l.FixedPitchMM, 2, "mm"), unknown("fixed_pitch_mm")},
		{"Average pitch", quantity(l.AverageLPI, 1, "1/in"), unknown("average_lpi")},
		{"Least land", quantity(l.MinLandUM, 1, "um"), unknown("min_land_um")},
	}
	if l.MinPitchUM != nil && l.MaxPitchUM != nil {
		out = append(out, pair{"Pitch", quantity(l.MinPitchUM, 0, "um") + " to " + quantity(l.MaxPitchUM, 0, "um"), ""})
	}
	if l.Turns != nil {
		out = append(out, pair{"Revolutions", quantity(l.Turns, 1, "turns"), ""})
	}
	return out
}

func proofPairs(p Proof) []pair {
	yes := func(b bool, whenTrue, whenFalse string) string {
		if b {
			return whenTrue
		}
		return whenFalse
	}
	residual := "not checked"
	if p.ResidualLSB != nil {
		residual = with(number(*p.ResidualLSB, 3), "LSB")
	}
	out := []pair{
		{"Mix plus all changes against the premaster read back, largest gap", residual, "of the premaster’s bit depth"},
		{"Every sample equals the mix", yes(p.BitIdentical, "yes, bit-identical", "no"), ""},
		{"After figures measured on the written file", yes(p.Remeasured, "yes", "no"), ""},
		{"Dither", yes(p.Dithered, "added, because samples changed", "none"), ""},
		{"Passes over the audio", plural(p.Passes, "pass", "passes"), ""},
		{"Treatment tightened after measuring", plural(p.Tightenings, "time", "times"), ""},
	}
	if p.MonoExact != nil {
		out = append(out, pair{"Mono cut: both channels equal in every sample", yes(*p.MonoExact, "yes", "no"), ""})
	}
	if p.Text != "" {
		out = append(out, pair{"Further", p.Text, ""})
	}
	return out
}

func identity(r *Report) []pair {
	s := r.Side
	out := []pair{{"Side", orBlank(s.Side), ""}, {"Catalogue number", orBlank(s.Catalogue), ""}, {"Disc", orBlank(discWords(s.Disc)), ""}, {"Speed", with(number(s.Disc.RPM, 2), "1/min"), ""},
		{"Programme", clockShort(s.LengthS) + "\u202fmin, " + plural(len(r.Tracks), "track", "tracks"), ""},
		{"Premaster", with(number(float64(s.SampleRate), 0), "Hz") + ", " + with(number(float64(s.BitDepth), 0), "bit"), ""},
		{"Room profile", orBlank(s.RoomName), ""}}
	if s.Artist != "" {
		out = append([]pair{{"Artist", s.Artist, ""}}, out...)
	}
	if s.Mono {
		out = append(out, pair{"Cut", "mono: both channels equal", ""})
	}
	return out
}

// discID is how the formats of this project are named: size and speed.
var discID = regexp.MustCompile(`^([0-9]+)in-(33|45)$`)

// discWords is the disc in words, also where only its id is known.
func discWords(d Disc) string {
	m := discID.FindStringSubmatch(d.Name)
	if m == nil {
		return d.Name
	}
	return m[1] + " inch, " + map[string]string{"33": "33⅓", "45": "45"}[m[2]]
}

func orBlank(s string) string {
	if strings.TrimSpace(s) == "" {
		return absent
	}
	return s
}

func trackOf(t Track) trackView {
	return trackView{Number: number(float64(t.Number), 0), Title: orBlank(t.Title), ISRC: t.ISRC, File: t.File, Start: clock(t.StartS), End: clock(t.EndS), Length: clockShort(t.LengthS),
		StartRadius: quantity(t.StartRadiusMM, 1, "mm"), Radius: rangeText(t.StartRadiusMM, t.EndRadiusMM), LPI: quantity(t.AverageLPI, 0, "1/in"), Level: quantity(t.IntegratedLUFS, 1, "LUFS"), Peak: quantity(t.MaxTruePeak, 1, "dBTP"),
		Gap: with(number(t.GapS, 1), "s"), Land: quantity(t.LandBeforeUM, 0, "um"), Gain: with(signed(t.GainDB, 1), "dB")}
}

// rangeText prints two radii with one unit.
func rangeText(from, to *float64) string {
	if from == nil || to == nil {
		return absent
	}
	return number(*from, 1) + absent + with(number(*to, 1), "mm")
}

func fileOf(f File) fileView {
	v := fileView{Role: f.Role, Name: f.Name, Size: bytesText(f.Bytes), SHA256: f.SHA256, PCM: f.PCMSHA256}
	if f.SampleRate > 0 {
		kind := "bit"
		if f.Float {
			kind = "bit float"
		}
		v.Format = strings.TrimSpace(f.Container + " " + with(number(float64(f.SampleRate), 0), "Hz") + ", " + with(number(float64(f.BitDepth), 0), kind) + ", " + plural(f.Channels, "channel", "channels"))
		v.Length = clock(f.LengthS)
	}
	return v
}

func capital(s string) string {
	if s == "" {
		return s
	}
	r := []rune(s)
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}
