package groove

import (
	"errors"
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Arithmetic; the outer value also as 0.509 m/s on a record-transfer lab's page
// (secondary). Tolerance 1e-4: the expected values have five digits.
func TestGrooveSpeed(t *testing.T) {
	for _, c := range []struct {
		name   string
		disc   string
		radius float64
		want   float64
	}{
		{"outside 12 in 33 (C1)", "12in-33", 146.05, 0.50981},
		{"inside 12 in 33 (C2)", "12in-33", 60.3, 0.21049},
		{"inside 7 in 45 (C2)", "7in-45", 53.975, 0.25435},
		{"inside 12 in 33, DIN", "12in-33", 57.5, 0.20071},
		{"outside 12 in 45", "12in-45", 146.05, 0.68824},
		{"inside 12 in 45", "12in-45", 60.3, 0.28416},
		{"outside 10 in 33", "10in-33", 120.9, 0.42202},
		{"outside 7 in 45", "7in-45", 84.15, 0.39655},
		{"inside 7 in 33", "7in-33", 53.975, 0.18841},
	} {
		t.Run(c.name, func(t *testing.T) {
			ratioWithin(t, "groove speed", mustDisc(t, c.disc).GrooveSpeed(c.radius), c.want, 1e-4)
		})
	}
}

// Arithmetic: 9/5 s and 4/3 s are whole numbers of frames at every rate of the
// trade.
func TestTurnIsExact(t *testing.T) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for speed, perTurn := range map[Speed]int64{Speed33: int64(rate) * 9 / 5, Speed45: int64(rate) * 4 / 3} {
			frames, whole := speed.FramesPerTurn(rate)
			if !whole || frames != perTurn {
				t.Errorf("%d rpm at %d Hz: got %d frames (whole %v), want %d", speed, rate, frames, whole, perTurn)
			}
		}
	}
	if frames, whole := Speed33.FramesPerTurn(44101); whole || frames != 79381 {
		t.Errorf("33 at 44101 Hz: got %d (whole %v), want 79381 rounded down", frames, whole)
	}
	if _, whole := Speed(78).FramesPerTurn(44100); whole {
		t.Error("an unknown speed has no turn")
	}
	within(t, "33 1/3 rpm", Speed33.RPM(), 100.0/3, 1e-14)
	within(t, "45 rpm", Speed45.RPM(), 45, 1e-14)
}

// Arithmetic on the IEC outer and RIAA inner radii; published as part of C21.
func TestConstantPitchSide(t *testing.T) {
	const pitch = 100 // um
	lp, single := mustDisc(t, "12in-33"), mustDisc(t, "12in-45")
	ratioWithin(t, "turns", Turns(146.3, 60.3, pitch), 860, 1e-4)
	ratioWithin(t, "minutes at 33 1/3", lp.MinutesAt(pitch), 25.80, 1e-4)
	ratioWithin(t, "minutes at 45", single.MinutesAt(pitch), 19.11, 1e-4)
	ratioWithin(t, "groove length", GrooveLengthM(146.3, 60.3, pitch), 558.19, 1e-4)
}

// Boden, Basic Disc Mastering, 1981 (as quoted in a lecturer's notes,
// secondary): 20 min at 33.333 rpm in 3 in need 223 lines per inch, and the
// groove is (1000/lpi + 1)/2 mil = 2.74 mil wide. Tolerance 0.1 %: rounding of
// 76 mm against 3 in.
func TestPublishedDensity(t *testing.T) {
	lpi := mustDisc(t, "12in-33").LinesPerInchFor(20, 76)
	ratioWithin(t, "lines per inch", lpi, 222.8, 1e-3)
	mil := (1000/lpi + 1) / 2
	ratioWithin(t, "width in mil", mil, 2.744, 1e-3)
	ratioWithin(t, "width in um", mil*25.4, 69.7, 1e-3)
}

// Arithmetic. Tolerance: half of the last digit of the expected value.
func TestMinutesTable(t *testing.T) {
	lpis := []float64{150, 175, 200, 225, 250, 275, 300}
	for _, row := range []struct {
		disc         string
		outer, inner float64
		minutes      []float64
	}{
		{"12in-33", 146.3, 60.3, []float64{15.24, 17.78, 20.31, 22.85, 25.39, 27.93, 30.47}},
		{"12in-45", 146.3, 60.3, []float64{11.29, 13.17, 15.05, 16.93, 18.81, 20.69, 22.57}},
		{"10in-33", 120.9, 60.3, []float64{10.74, 12.53, 14.31, 16.10, 17.89, 19.68, 21.47}},
		{"10in-45", 120.9, 60.3, []float64{7.95, 9.28, 10.60, 11.93, 13.25, 14.58, 15.91}},
		{"7in-45", 84.15, 53.975, []float64{3.96, 4.62, 5.28, 5.94, 6.60, 7.26, 7.92}},
		{"7in-33", 84.15, 53.975, []float64{5.35, 6.24, 7.13, 8.02, 8.91, 9.80, 10.69}},
	} {
		d := mustDisc(t, row.disc)
		d.OuterMM, d.InnerQualityMM = row.outer, row.inner
		for i, lpi := range lpis {
			within(t, row.disc+" at "+strconv.Itoa(int(lpi)), d.MinutesAt(PitchUM(lpi)), row.minutes[i], 0.005+1e-9)
		}
	}
	for lpi, um := range map[float64]float64{150: 169.3, 175: 145.1, 200: 127.0, 225: 112.9, 250: 101.6, 275: 92.4, 300: 84.7} {
		within(t, "pitch", PitchUM(lpi), um, 0.05+1e-9)
		ratioWithin(t, "back", LinesPerInch(PitchUM(lpi)), lpi, 1e-15)
	}
}

// The proposed full and reduced times must be possible at densities plants use:
// 150 to 300 lines per inch (a textbook, secondary).
func TestProposedSideTimesFit(t *testing.T) {
	for _, id := range DiscIDs() {
		d := mustDisc(t, id)
		for what, minutes := range map[string]float64{"full": d.SideMin.Full, "reduced": d.SideMin.Reduced, "stop": d.SideMin.Stop} {
			if lpi := d.LinesPerInchFor(minutes, d.BandMM()); lpi < 130 || lpi > 300 {
				t.Errorf("%s %s: %g min needs %.0f lines per inch", id, what, minutes, lpi)
			}
		}
	}
}

func TestEveryDiscIsValidAndSourced(t *testing.T) {
	for _, id := range DiscIDs() {
		d := mustDisc(t, id)
		if d.ID != id {
			t.Errorf("%s: id is %q", id, d.ID)
		}
		if err := d.Validate(); err != nil {
			t.Error(err)
		}
		fields := map[string]string{}
		for _, s := range d.Sources() {
			fields[s.Field] = s.Source
		}
		typ := reflect.TypeFor[Disc]()
		for i := range typ.NumField() {
			name := typ.Field(i).Tag.Get("json")
			if s := fields[name]; name != "id" && (s == "" || s == "side plan or room") {
				t.Errorf("%s: %s has no source: %q", id, name, s)
			}
		}
	}
}

// Diameters as published: IEC 98:1987 cl. 8.5 and 8.9, RIAA 1963, DIN
// 45547:1981, JIS S8502, via a published comparison (secondary). RIAA inner
// radii are rounded outwards by less than 0.03 mm.
func TestPublishedDiameters(t *testing.T) {
	for _, c := range []struct {
		id                                   string
		outer, quality, hard, locked, spread float64
	}{
		{"12in-33", 292.6, 120.65, 115, 106.4, 0.8}, {"12in-45", 292.6, 120.65, 115, 106.4, 0.8},
		{"10in-33", 241.8, 120.65, 115, 106.4, 0.8}, {"10in-45", 241.8, 120.65, 115, 106.4, 0.8},
		{"7in-45", 168.3, 107.95, 106, 97.4, 1.0}, {"7in-33", 168.3, 107.95, 106, 97.4, 1.0},
	} {
		d := mustDisc(t, c.id)
		within(t, c.id+" outer", 2*d.OuterMM, c.outer, 1e-9)
		within(t, c.id+" inner, quality", 2*d.InnerQualityMM, c.quality, 0.06)
		within(t, c.id+" inner, hard", 2*d.InnerHardMM, c.hard, 1e-9)
		within(t, c.id+" locked groove", d.LockedDiameterMM, c.locked, 1e-9)
		within(t, c.id+" locked tolerance", d.LockedToleranceMM, c.spread, 1e-9)
	}
}

func TestDiscDefaultTagsAre12in33(t *testing.T) {
	compareDefaults(t, reflect.ValueOf(mustDisc(t, "12in-33")), "")
}

func TestLookupSuggests(t *testing.T) {
	for id, want := range map[string]string{
		"12in33": "12in-33", `12" 33 rpm`: "12in-33", "12 inch 33 1/3": "12in-33", "7-in-45": "7in-45",
		"7IN-33": "7in-33", "10in-44": "10in-45", "12in-34": "12in-33", "": "", "cassette": "", "78": "",
	} {
		d, err := LookupDisc(id)
		var unknown *UnknownDiscError
		if !errors.As(err, &unknown) {
			t.Fatalf("%q: got %v, want an *UnknownDiscError", id, err)
		}
		if unknown.Suggestion != want || unknown.ID != id {
			t.Errorf("%q: suggests %q, want %q", id, unknown.Suggestion, want)
		}
		if diff := cmp.Diff(Disc{}, d); diff != "" {
			t.Errorf("%q: not empty: %s", id, diff)
		}
		if s := err.Error(); want == "" && !strings.Contains(s, "known: 12in-33, ") {
			t.Errorf("%q: error without the known ones: %s", id, s)
		}
	}
}

func FuzzLookupDisc(f *testing.F) {
	f.Add("12in-33")
	f.Add("12″ 33⅓ rpm")
	f.Fuzz(func(t *testing.T, id string) {
		d, err := LookupDisc(id)
		if err != nil {
			var unknown *UnknownDiscError
			if !errors.As(err, &unknown) {
				t.Fatalf("%q: %v", id, err)
			}
			if unknown.Suggestion != "" {
				if _, err := LookupDisc(unknown.Suggestion); err != nil {
					t.Fatalf("%q suggests %q, which is not known", id, unknown.Suggestion)
				}
			}
			return
		}
		if d.ID != id {
			t.Fatalf("%q: got %q", id, d.ID)
		}
	})
}

func TestDiscFaults(t *testing.T) {
	base := mustDisc(t, "7in-45")
	for _, c := range []struct {
		name   string
		change func(*Disc)
		fields []string
	}{
		{"speed", func(d *Disc) { d.Speed = 78 }, []string{"speed"}},
		{"outer off the disc", func(d *Disc) { d.OuterMM = 146.3 }, []string{"outer_mm"}},
		{"inner outside outer", func(d *Disc) { d.InnerQualityMM = 90 }, []string{"inner_quality_mm"}},
		{"hard outside quality", func(d *Disc) { d.InnerHardMM = 55 }, []string{"inner_hard_mm"}},
		{"no room for lead-out", func(d *Disc) { d.LockedDiameterMM = 110 }, []string{"locked_diameter_mm"}},
		{"hole", func(d *Disc) { d.HoleMM = 99 }, []string{"hole_mm"}},
		{"not a number", func(d *Disc) { d.OuterMM = math.NaN() }, []string{"outer_mm"}},
		{"several", func(d *Disc) { d.LeadInMinMM, d.LeadOutMaxMM, d.SideMin.Full = 2, 1, 7 },
			[]string{"lead_in_min_mm", "lead_out_min_mm", "side_min.full"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := base
			c.change(&d)
			var bad *DiscError
			if !errors.As(d.Validate(), &bad) {
				t.Fatal("accepted")
			}
			var got []string
			for _, f := range bad.Faults {
				got = append(got, f.Field)
				if f.Detail == "" || f.Hint == "" || !strings.Contains(bad.Error(), f.String()) {
					t.Errorf("fault %+v is not told fully in %q", f, bad.Error())
				}
			}
			if diff := cmp.Diff(c.fields, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestWithRadii(t *testing.T) {
	d := mustDisc(t, "12in-33")
	outer, inner := 145.0, 62.0
	if diff := cmp.Diff(d, d.WithRadii(RadiusOverrides{})); diff != "" {
		t.Error(diff)
	}
	got := d.WithRadii(RadiusOverrides{OuterMM: &outer, InnerMM: &inner})
	within(t, "outer", got.OuterMM, 145, 0)
	within(t, "hard", got.InnerHardMM, 62, 0)
	within(t, "quality moves along", got.InnerQualityMM, 62, 0)
	for _, s := range got.Sources() {
		if own := s.Source == "side plan or room"; own != (s.Field == "outer_mm" || s.Field == "inner_hard_mm" || s.Field == "inner_quality_mm") {
			t.Errorf("%s: source %q", s.Field, s.Source)
		}
	}
	inner = 58
	within(t, "quality stays", d.WithRadii(RadiusOverrides{InnerMM: &inner}).InnerQualityMM, 60.3, 0)
}

func TestSpiralProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, _ := LookupDisc(rapid.SampledFrom(DiscIDs()).Draw(t, "disc"))
		pitch := rapid.Float64Range(30, 500).Draw(t, "pitch")
		length := GrooveLengthM(d.OuterMM, d.InnerQualityMM, pitch)
		// The groove passes at the mean of the outer and inner speed.
		mean := (d.GrooveSpeed(d.OuterMM) + d.GrooveSpeed(d.InnerQualityMM)) / 2
		if byTime := mean * d.MinutesAt(pitch) * 60; math.Abs(byTime/length-1) > 1e-12 {
			t.Fatalf("length %g m by area, %g m by time", length, byTime)
		}
		if lpi := d.LinesPerInchFor(d.MinutesAt(pitch), d.BandMM()); math.Abs(lpi/LinesPerInch(pitch)-1) > 1e-12 {
			t.Fatalf("%g lines per inch, pitch says %g", lpi, LinesPerInch(pitch))
		}
	})
}
