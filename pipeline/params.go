package pipeline

import (
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
)

// params are the stages of a plan's chain, nil where the chain has none.
type params struct {
	order      []string
	infrasonic *stage.BlockInfrasonicParams
	band       *stage.BandLimitParams
	sumLows    *stage.SumLowsParams
	deEss      *stage.DeEssParams
	limitSides *stage.LimitSidesParams
	fit        *stage.FitLevelParams
}

func paramsOf(plan *sideplan.Plan) params {
	var p params
	for _, s := range plan.Chain {
		p.order = append(p.order, s.ID)
		switch v := s.Params.(type) {
		case stage.BlockInfrasonicParams:
			p.infrasonic = &v
		case stage.BandLimitParams:
			p.band = &v
		case stage.SumLowsParams:
			p.sumLows = &v
		case stage.DeEssParams:
			p.deEss = &v
		case stage.LimitSidesParams:
			p.limitSides = &v
		case stage.FitLevelParams:
			p.fit = &v
		}
	}
	return p
}

func (p params) crossoverHz() float64 {
	if p.sumLows != nil {
		return p.sumLows.CrossoverHz
	}
	return 0
}

// splitHz is where the band that de-ess turns down begins.
func (p params) splitHz() float64 {
	if p.deEss != nil {
		return p.deEss.CrossoverHz
	}
	return groove.DefaultSplitHz
}

// noCeilingDB stands for the ceiling of a chain without fit-level: file gain
// above 0 dB then may reach full scale.
const noCeilingDB = 0.0

func (p params) ceilingDB() float64 {
	if p.fit != nil {
		return p.fit.CeilingDBTP
	}
	return noCeilingDB
}

func (p params) dither() bool { return p.fit == nil || p.fit.Dither != "none" }

// applies tells whether a limiting stage may change samples.
func (p params) applies(id string) bool {
	switch id {
	case stage.DeEss:
		return p.deEss != nil && p.deEss.Mode == stage.ModeApply
	case stage.LimitSides:
		return p.limitSides != nil && p.limitSides.Mode == stage.ModeApply
	}
	return false
}

// estimates tells whether a limiting stage only reports.
func (p params) estimates(id string) bool {
	switch id {
	case stage.DeEss:
		return p.deEss != nil && p.deEss.Mode == stage.ModeEstimate
	case stage.LimitSides:
		return p.limitSides != nil && p.limitSides.Mode == stage.ModeEstimate
	}
	return false
}

// filters is a choice of linear stages.
type filters struct {
	mono, infrasonic, band, sumLows bool
}

// moving leaves only what changes displacement: band-limit acts above the
// predictor's band.
func (f filters) moving() filters {
	f.band = false
	return f
}

// ids names the filters that act, in the order of the default chain.
func (f filters) ids() []string {
	out := []string{}
	for _, s := range []struct {
		on bool
		id string
	}{{f.mono, monoID}, {f.infrasonic, stage.BlockInfrasonic}, {f.band, stage.BandLimit}, {f.sumLows, stage.SumLows}} {
		if s.on {
			out = append(out, s.id)
		}
	}
	return out
}

func (f filters) any() bool { return f != filters{} }

// likely is the choice before anything was measured: the lows of ordinary
// stereo mixes need summing, the rest seldom needs anything.
func (p params) likely(mono bool) filters {
	return filters{
		mono:       mono,
		infrasonic: p.infrasonic != nil && p.infrasonic.When == stage.WhenAlways,
		band:       p.band != nil && p.band.When == stage.WhenAlways,
		sumLows:    p.sumLows != nil && !mono,
	}
}

// monoID names the mono cut among the stages of a report.
const monoID = "mono"

// built are processors with their ids, in chain order.
type built []*link

func (b built) processors() []stage.Processor {
	var out []stage.Processor
	for _, l := range b {
		out = append(out, l.proc)
	}
	return out
}

// build makes the chosen linear stages, in the order of the chain.
func (p params) build(f filters, rateHz int) (built, error) {
	var out built
	add := func(id string, proc stage.Processor) { out = append(out, &link{id: id, proc: proc}) }
	if f.mono {
		add(monoID, stage.MonoSum{})
	}
	for _, id := range p.order {
		switch {
		case id == stage.BlockInfrasonic && f.infrasonic:
			add(id, stage.NewBlockInfrasonic(*p.infrasonic, rateHz))
		case id == stage.BandLimit && f.band:
			b, err := stage.NewBandLimit(*p.band, rateHz)
			if err != nil {
				return nil, err
			}
			add(id, b)
		case id == stage.SumLows && f.sumLows:
			s, err := stage.NewSumLows(*p.sumLows, rateHz)
			if err != nil {
				return nil, err
			}
			add(id, s)
		}
	}
	return out, nil
}
