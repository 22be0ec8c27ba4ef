package groove

import "discsafe/pipeline/audio"

// Walls gives the displacement of both walls itself, sample by sample at the
// analysis rate, where Predictor gives what sectors make of it. It is the same
// computation: band limit, recording characteristic, floor of 1 Hz.
type Walls struct{ p *Predictor }

// NewWalls makes Walls for a programme at s.FrameRateHz and a scale as for
// NewPredictor. emit gets runs of displacement in um, left and right wall, in
// order; the slices hold only until it returns. Sample k belongs to frame
// k*FrameRateHz/AnalysisRateHz of what was fed.
func NewWalls(s Sectors, scale float64, emit func(left, right []float64)) (*Walls, error) {
	p, err := NewPredictor(s, scale, false, nil)
	if err != nil {
		return nil, err
	}
	p.walls = emit
	return &Walls{p}, nil
}

// Add feeds frames of the programme.
func (w *Walls) Add(b audio.Block) { w.p.Add(b) }

// Reach is how many frames before and after a sample its band limit looks at:
// the last samples of a programme come out after Reach frames more.
func (w *Walls) Reach() int { return w.p.side }

// FramesPerTurn is the number of analysis frames in one turn.
func (s Sectors) FramesPerTurn() int64 { return s.perTurn }
