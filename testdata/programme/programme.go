package programme

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// MixFile and PlanFile are the names of the files Build writes.
const (
	MixFile  = "mix.wav"
	PlanFile = "plan.yaml"
)

// Stage ids, as plans and reports name them.
const (
	blockInfrasonic = "block-infrasonic"
	bandLimit       = "band-limit"
	sumLows         = "sum-lows"
	deEss           = "de-ess"
	limitSides      = "limit-sides"
	fitLevel        = "fit-level"
)

// Programme is one case of the battery.
type Programme struct {
	ID        string   // lower case with hyphens, unique
	Title     string   // in words
	Why       string   // what it tries to break
	RateHz    int      // sample rate of the mix
	DurationS float64  // length; Frames wins if it is set
	Frames    int64    // exact length, for the shortest files
	Encoding  Encoding // sample form of the mix
	Mono      bool     // one-channel file
	Plan      Plan
	Expect    Expect

	sound func(rate int) stereo
}

// Plan is what the side plan asks for. Zero values leave the field out.
type Plan struct {
	Disc     string   // disc format id; "" is 12in-33
	Level    string   // "fit" or a number of dB; "" is fit
	OuterMM  float64  // room override: radius of the first groove
	InnerMM  float64  // room override: radius inside which nothing is cut
	MonoCut  bool     // ask for a mono cut
	RoomYAML []string // further lines of the room, indented by nothing
	Extra    []string // further top-level lines, for instance a chain
}

// Expect is what must come out, whatever the implementation.
type Expect struct {
	Verdicts     []string // allowed verdicts
	Active       []string // stages that must have changed samples
	Idle         []string // stages that must not have
	BitIdentical bool     // the premaster must hold the samples of the mix
}

// NumFrames is the exact length of the mix.
func (p Programme) NumFrames() int64 {
	if p.Frames > 0 {
		return p.Frames
	}
	return int64(p.DurationS*float64(p.RateHz) + 0.5)
}

// PlanYAML is the side plan for a mix of the given file name.
func (p Programme) PlanYAML(mix string) string { return p.Plan.yaml(p.Title, mix) }

func (q Plan) yaml(title string, mixes ...string) string {
	var b strings.Builder
	disc, level := q.Disc, q.Level
	if disc == "" {
		disc = "12in-33"
	}
	if level == "" {
		level = "fit"
	}
	fmt.Fprintf(&b, "side: A\ntitle: %s\ndisc: %s\nlevel: %s\n", strconv.Quote(title), disc, level)
	if q.MonoCut {
		b.WriteString("mono: true\n")
	}
	if q.OuterMM > 0 || q.InnerMM > 0 || len(q.RoomYAML) > 0 {
		b.WriteString("room:\n  name: battery room\n")
		for _, line := range q.RoomYAML {
			b.WriteString("  " + line + "\n")
		}
		if q.OuterMM > 0 || q.InnerMM > 0 {
			b.WriteString("  radius:\n")
		}
		if q.OuterMM > 0 {
			fmt.Fprintf(&b, "    outer_mm: %g\n", q.OuterMM)
		}
		if q.InnerMM > 0 {
			fmt.Fprintf(&b, "    inner_mm: %g\n", q.InnerMM)
		}
	}
	for _, line := range q.Extra {
		b.WriteString(line + "\n")
	}
	b.WriteString("tracks:\n")
	for _, m := range mixes {
		fmt.Fprintf(&b, "  - file: %s\n    title: %s\n", strconv.Quote(m), strconv.Quote(strings.TrimSuffix(filepath.Base(m), filepath.Ext(m))))
	}
	return b.String()
}

// Build writes the mix and the side plan into dir and returns the plan's path.
func (p Programme) Build(dir string) (planPath string, err error) {
	channels := 2
	if p.Mono {
		channels = 1
	}
	if err := writeWAV(filepath.Join(dir, MixFile), p.RateHz, channels, p.NumFrames(), p.Encoding, p.sound(p.RateHz)); err != nil {
		return "", fmt.Errorf("programme %s: %w", p.ID, err)
	}
	return WritePlan(dir, p.PlanYAML(MixFile))
}

// WritePlan writes plan text into dir and returns its path.
func WritePlan(dir, text string) (string, error) {
	path := filepath.Join(dir, PlanFile)
	return path, os.WriteFile(path, []byte(text), 0o644)
}

// PlanFor is the side plan of mixes that were not generated here.
func PlanFor(q Plan, title string, mixes ...string) string { return q.yaml(title, mixes...) }

// All lists every programme, in a fixed order.
func All() []Programme {
	var all []Programme
	all = append(all, hostile()...)
	all = append(all, musical()...)
	all = append(all, edgeCases()...)
	return all
}

// ByID finds a programme.
func ByID(id string) (Programme, error) {
	for _, p := range All() {
		if p.ID == id {
			return p, nil
		}
	}
	return Programme{}, fmt.Errorf("no programme %q", id)
}
