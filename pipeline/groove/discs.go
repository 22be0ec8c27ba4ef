package groove

import (
	"fmt"
	"strings"
)

// DefaultDiscID is the disc of a side plan that names none.
const DefaultDiscID = "12in-33"

// DiscIDs lists the known formats, largest disc and slowest speed first.
func DiscIDs() []string {
	return []string{"12in-33", "12in-45", "10in-33", "10in-45", "7in-45", "7in-33"}
}

// LookupDisc returns the disc format of one id out of DiscIDs. Any other id is
// an *UnknownDiscError, which suggests the nearest.
func LookupDisc(id string) (Disc, error) {
	switch id {
	case "12in-33":
		return twelveInch(id, Speed33, SideMinutes{Full: 18, Reduced: 22, Stop: 28}), nil
	case "12in-45":
		return twelveInch(id, Speed45, SideMinutes{Full: 12, Reduced: 14.5, Stop: 18}), nil
	case "10in-33":
		return tenInch(id, Speed33, SideMinutes{Full: 12, Reduced: 13.5, Stop: 16}), nil
	case "10in-45":
		return tenInch(id, Speed45, SideMinutes{Full: 9, Reduced: 10, Stop: 12}), nil
	case "7in-45":
		return sevenInch(id, Speed45, 38.2, SideMinutes{Full: 4, Reduced: 5, Stop: 6}), nil
	case "7in-33":
		return sevenInch(id, Speed33, 7.24, SideMinutes{Full: 5.5, Reduced: 7, Stop: 8.5}), nil
	}
	return Disc{}, &UnknownDiscError{ID: id, Suggestion: nearestDisc(id)}
}

// twelveInch: outer 292.6 dia IEC 98:1964/1987 cl. 8.5; quality 120.65 dia
// RIAA 1963; hard 115 dia DIN 45547:1981; locked 106.4 +-0.8 IEC 98:1987 cl.
// 8.9; disc 301 JIS S8502; all via a published comparison (secondary).
func twelveInch(id string, speed Speed, side SideMinutes) Disc {
	d := spirals(Disc{ID: id, Speed: speed, SideMin: side})
	d.DiameterMM, d.HoleMM = 301, 7.24
	d.OuterMM, d.InnerQualityMM, d.InnerHardMM = 146.3, 60.3, 57.5
	d.LockedDiameterMM, d.LockedToleranceMM = 106.4, 0.8
	return d
}

// tenInch: outer 241.8 dia IEC 98:1987 cl. 8.5, disc 251 JIS S8502, via a
// published comparison (secondary); inner limits as for 12 in (JIS S8502 says
// above 115.2 dia; RIAA 120.65 from memory).
func tenInch(id string, speed Speed, side SideMinutes) Disc {
	d := twelveInch(id, speed, side)
	d.DiameterMM, d.OuterMM = 251, 120.9
	return d
}

// sevenInch: outer 168.3 dia IEC 98:1987 cl. 8.5; quality 107.95 dia RIAA
// 1963; hard 106 dia JIS S8502; locked 97.4 +-1.0 IEC 98:1987 cl. 8.9; disc
// 175 and hole 38.2 JIS S8502; all via a published comparison (secondary).
func sevenInch(id string, speed Speed, holeMM float64, side SideMinutes) Disc {
	d := spirals(Disc{ID: id, Speed: speed, SideMin: side})
	d.DiameterMM, d.HoleMM = 175, holeMM
	d.OuterMM, d.InnerQualityMM, d.InnerHardMM = 84.15, 54.0, 53.0
	d.LockedDiameterMM, d.LockedToleranceMM = 97.4, 1.0
	return d
}

// spirals fills what all formats share: IEC 98:1987 cl. 8.4 and 8.8, RIAA
// joining spiral, via a published comparison and a secondary page.
func spirals(d Disc) Disc {
	d.LeadInMinMM, d.LeadInMaxMM = 0.8, 1.6
	d.LeadOutMinMM, d.LeadOutMaxMM, d.LeadOutTurns = 3.2, 9.6, 1
	d.JoinPitchMaxMM = 1.5875
	return d
}

// FigureSource says where one figure of a disc comes from.
type FigureSource struct {
	Field  string // as in a file, e.g. "outer_mm"
	Source string
}

// Sources names, in the order of the fields, where the figures of the disc
// come from. A figure that differs from the format of the same id, and every
// figure of an unknown id, is given as "side plan or room".
func (d Disc) Sources() []FigureSource {
	const comparison = ", via a published comparison (secondary)"
	own, err := LookupDisc(d.ID)
	ten, seven := strings.HasPrefix(d.ID, "10in"), strings.HasPrefix(d.ID, "7in")
	pick := func(twelve, tenSays, sevenSays string) string {
		if ten {
			return tenSays
		}
		if seven {
			return sevenSays
		}
		return twelve
	}
	speed := "IEC 60098 type code" + comparison
	if d.ID == "10in-45" {
		speed = "no IEC type seen, trade format; common practice, no source"
	}
	hole := "IEC 98, 7.24 -0/+0.09" + comparison
	if d.ID == "7in-45" {
		hole = "JIS S8502, 38.2 +-0.05" + comparison
	}
	leadIn := "IEC 98:1987 cl. 8.4, 1.2 +-0.4" + comparison
	leadOut := "IEC 98:1987 cl. 8.8, 6.4 +-3.2, at least one turn" + comparison
	list := []struct {
		same  bool
		field string
		src   string
	}{
		{d.Speed == own.Speed, "speed", speed},
		{d.DiameterMM == own.DiameterMM, "diameter_mm", pick("JIS S8502, 301 +-2", "JIS S8502, 251 +-2", "JIS S8502, 175 +-1") + comparison},
		{d.HoleMM == own.HoleMM, "hole_mm", hole},
		{d.OuterMM == own.OuterMM, "outer_mm", pick(
			"IEC 98:1964/1987 cl. 8.5, diameter 292.6; 146.05 in IEC 98:1958 and RIAA 1963",
			"IEC 98:1987 cl. 8.5, diameter 241.8", "IEC 98:1987 cl. 8.5, diameter 168.3") + comparison},
		{d.InnerQualityMM == own.InnerQualityMM, "inner_quality_mm", pick(
			"RIAA 1963, diameter 120.65"+comparison, "RIAA, diameter 120.65, from memory",
			"RIAA 1963, diameter 107.95, via a page on gramophone standards (secondary)")},
		{d.InnerHardMM == own.InnerHardMM, "inner_hard_mm", pick(
			"DIN 45547:1981, diameter 115", "as DIN 45547:1981 for 12 in; JIS S8502 says above 115.2", "JIS S8502, above 106") + comparison},
		{d.LockedDiameterMM == own.LockedDiameterMM, "locked_diameter_mm", "IEC 98:1987 cl. 8.9" + comparison},
		{d.LockedToleranceMM == own.LockedToleranceMM, "locked_tolerance_mm", "IEC 98:1987 cl. 8.9" + comparison},
		{d.LeadInMinMM == own.LeadInMinMM, "lead_in_min_mm", leadIn},
		{d.LeadInMaxMM == own.LeadInMaxMM, "lead_in_max_mm", leadIn},
		{d.LeadOutMinMM == own.LeadOutMinMM, "lead_out_min_mm", leadOut},
		{d.LeadOutMaxMM == own.LeadOutMaxMM, "lead_out_max_mm", leadOut},
		{d.LeadOutTurns == own.LeadOutTurns, "lead_out_turns", leadOut},
		{d.JoinPitchMaxMM == own.JoinPitchMaxMM, "join_pitch_max_mm", "RIAA text, not fewer than 16 grooves per inch, quoted by a secondary page (weak)"},
		{d.SideMin == own.SideMin, "side_min", "between several plants' public delivery notes (secondary)"},
	}
	out := make([]FigureSource, 0, len(list))
	for _, l := range list {
		if err != nil || !l.same {
			l.src = "side plan or room"
		}
		out = append(out, FigureSource{Field: l.field, Source: l.src})
	}
	return out
}

// UnknownDiscError is a disc id that is not in DiscIDs.
type UnknownDiscError struct {
	ID         string
	Suggestion string // nearest known id, empty when none is near
}

// Error names the id and either the nearest known one or all of them.
func (e *UnknownDiscError) Error() string {
	hint := "known: " + strings.Join(DiscIDs(), ", ")
	if e.Suggestion != "" {
		hint = fmt.Sprintf("did you mean %q?", e.Suggestion)
	}
	return fmt.Sprintf("disc %q is not known; %s", e.ID, hint)
}

// nearestDisc returns the known id that needs the fewest edits after the ways
// people write sizes and speeds are made equal, or "" beyond two edits.
func nearestDisc(id string) string {
	if len(id) > 64 {
		return ""
	}
	const farthest = 2
	norm := strings.NewReplacer(" ", "", "-", "", "_", "", "/", "", `"`, "in", "″", "in",
		"inches", "in", "inch", "in", "rpm", "", "331/3", "33", "33⅓", "33", "33.3", "33").Replace(strings.ToLower(id))
	best, bestEdits := "", farthest+1
	for _, known := range DiscIDs() {
		if n := edits(norm, strings.ReplaceAll(known, "-", "")); n < bestEdits {
			best, bestEdits = known, n
		}
	}
	return best
}

// edits is the number of insertions, deletions and substitutions from a to b
// (Levenshtein).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := diagonal
			if a[i-1] != b[j-1] {
				cost = 1 + min(diagonal, row[j], row[j-1])
			}
			diagonal, row[j] = row[j], cost
		}
	}
	return row[len(b)]
}
