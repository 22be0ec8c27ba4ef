package scenario

import (
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// What each track is for, seen by the groove at 0 dB cut level: bass that
// differs between the channels breaks the width, sibilants break the curvature
// limit where the side ends, and neither track does the other's damage.
func TestEachTrackGivesItsStageAReason(t *testing.T) {
	disc, err := groove.LookupDisc("7in-45")
	if err != nil {
		t.Fatal(err)
	}
	limits := groove.NewLimits(groove.DefaultRoom(), disc)
	allowedRise := limits.AllowedRiseUM(groove.DefaultRoom().DesignDepthUM())
	innermost := limits.ChannelAccelerationMS2(disc.InnerQualityMM)

	rise, accel := motion(t, lowGate(), disc)
	if rise < 2*allowedRise {
		t.Errorf("Low Gate: vertical motion %.1f um, want well above the %.1f um allowed at the design depth", rise, allowedRise)
	}
	if accel > innermost {
		t.Errorf("Low Gate: acceleration %.0f m/s2, want within %.0f", accel, innermost)
	}
	rise, accel = motion(t, sixteenSails(), disc)
	if rise > allowedRise {
		t.Errorf("Sixteen Sails: vertical motion %.1f um, want within %.1f um", rise, allowedRise)
	}
	if over := audio.DB(accel / innermost); over < 3 || over > 8 {
		t.Errorf("Sixteen Sails: acceleration %.1f dB above the limit at the end of the side, want 3 to 8 dB: work for the stage, and not beyond it", over)
	}
}

// motion returns the greatest vertical motion upwards in um and the greatest
// wall acceleration in m/s2.
func motion(t *testing.T, m *mix, disc groove.Disc) (riseUM, accelMS2 float64) {
	t.Helper()
	p, err := groove.NewPredictor(groove.NewSectors(Rate, disc.SecondsPerTurn()),
		groove.DefaultRoom().Reference.ChannelVelocityFullScale(), false, func(s groove.Motion) {
			riseUM = math.Max(riseUM, float64(s.VerticalMaxUM))
			accelMS2 = math.Max(accelMS2, float64(s.WallAccel))
		})
	if err != nil {
		t.Fatal(err)
	}
	p.Add(audio.Block{L: m.l, R: m.r})
	p.Flush(int64(len(m.l)))
	return riseUM, accelMS2
}
