package stage

import (
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// limitSidesFloor is the least gain limit-sides will set: 24 dB down.
const limitSidesFloor = 0.063

// LimitSidesTask is what the planner gives limit-sides.
type LimitSidesTask struct {
	Sectors groove.Sectors
	Count   int       // sectors on the side
	Late    int       // frames by which the stages before delay the stream
	Watch   SectorSet // sectors that may exceed a limit
	Scale   float64   // channel velocity of full scale at 1 kHz at the cut level, m/s
	Aim     float64   // share of a limit aimed at where it is exceeded; 0 means 1
	// Room gives how far in um the groove's bottom may rise and fall in a
	// sector, from the depth planned there.
	Room func(sector int) (riseUM, fallUM float64)
}

// SideLimiter holds vertical displacement within what width and depth allow.
// The side signal goes through the recording characteristic to displacement in
// um, where the limit lives; the part that exceeds the gain curve returns to
// audio through the exact inverse and is taken away. Mid is not touched.
type SideLimiter struct {
	Trace
	task    LimitSidesTask
	ride    *ride
	disp    *groove.SideDisplacement
	restore *groove.Restorer

	z       []float64 // displacement, beside ride's buffer
	zBase   int64
	zFill   int
	side, c []float64
	tail    int // sectors until the restorer's memory has died away
	tailMax int
}

// NewLimitSides builds the stage for a task.
func NewLimitSides(p LimitSidesParams, t LimitSidesTask) *SideLimiter {
	if t.Aim == 0 {
		t.Aim = 1
	}
	fs := float64(t.Sectors.FrameRateHz)
	// Vertical displacement is (L-R)/sqrt2 per unit of channel displacement;
	// the side signal is (L-R)/2, so its scale is sqrt2 times a channel's.
	scale := t.Scale * math.Sqrt2
	l := &SideLimiter{Trace: newTrace(t.Count, nil), task: t, disp: groove.NewSideDisplacement(fs, scale), restore: groove.NewRestorer(fs, scale)}
	l.ride = newRide(t.Sectors, t.Count, LookSectors(p.LookAheadMS, t.Sectors), 2, t.Late, &l.Trace)
	l.ride.allow, l.ride.apply = l.allow, l.apply
	m := t.Sectors.MaxFrames()
	l.side, l.c = make([]float64, m+4), make([]float64, m)
	l.z = make([]float64, l.ride.buf.Len())
	// 60 ms is 19 of the restorer's 3180 us: -160 dB.
	l.tailMax = int(0.06/t.Sectors.SecondsPerTurn*groove.SectorsPerTurn) + 1
	l.zBase, l.zFill = 0, 0
	return l
}

// Delay is the look-ahead.
func (l *SideLimiter) Delay() int { return l.ride.delay }

// Reset makes the stage as new.
func (l *SideLimiter) Reset() {
	l.ride.reset()
	l.disp.Reset()
	l.restore.Reset()
	l.zBase, l.zFill, l.tail = 0, 0, 0
	l.Trace = newTrace(l.task.Count, l.OnGain)
}

// Process treats the block in place.
func (l *SideLimiter) Process(b audio.Block) { l.ride.process(b) }

func (l *SideLimiter) allow(sector int, x audio.Block) (gain, worst float64, limit string) {
	m := l.ride.margin
	n := x.Len() - 2*m
	s := l.side[:n]
	for i := range s {
		s[i] = (x.L[m+i] - x.R[m+i]) / 2
	}
	if l.zFill+n > len(l.z) {
		from := int(l.task.Sectors.StartFrame(l.ride.done) - l.zBase)
		copy(l.z, l.z[from:l.zFill])
		l.zBase += int64(from)
		l.zFill -= from
	}
	z := l.z[l.zFill : l.zFill+n]
	l.disp.Process(z, s)
	l.zFill += n
	if !l.task.Watch.Has(sector) {
		return 1, 0, ""
	}
	up, dn := groove.Extremes(z)
	rise, fall := l.task.Room(sector)
	gain = 1
	if up > rise {
		gain = l.task.Aim * math.Max(rise, 0) / up
	}
	if dn > fall {
		gain = math.Min(gain, l.task.Aim*math.Max(fall, 0)/dn)
	}
	worst, limit = up/math.Max(rise, 1e-3), "width"
	if w := dn / math.Max(fall, 1e-3); w > worst {
		worst, limit = w, "depth"
	}
	return math.Max(gain, limitSidesFloor), worst, limit
}

func (l *SideLimiter) apply(sector int, x audio.Block, g0, g1 float64) {
	// Past the end of the side the gain may still be on its way back to 1, but
	// there is no displacement to take away.
	touched := (g0 < 1 || g1 < 1) && sector < l.task.Count
	if !touched && l.tail == 0 {
		return
	}
	m := l.ride.margin
	n := x.Len() - 2*m
	c := l.c[:n]
	if touched {
		from := int(l.task.Sectors.StartFrame(sector) - l.zBase)
		z := l.z[from : from+n]
		for i := range c {
			g := g0 + (g1-g0)*(float64(i)+0.5)/float64(n)
			c[i] = (1 - g) * z[i]
		}
		l.tail = l.tailMax
	} else {
		clear(c)
		l.tail--
	}
	l.restore.Process(c)
	for i, s := range c {
		x.L[m+i] -= s
		x.R[m+i] += s
	}
	if l.tail == 0 {
		l.restore.Reset()
	}
}
