//go:build battery

package pipeline_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
)

// outcome is what the battery needs of report.json, read from the file by
// name: the names are the contract.
type outcome struct {
	Side struct {
		Mono bool `json:"mono"`
		Disc struct {
			RPM     float64 `json:"rpm"`
			OuterMM float64 `json:"outer_mm"`
			InnerMM float64 `json:"inner_mm"`
		} `json:"disc"`
	} `json:"side"`
	Room struct {
		Groove struct {
			WidthUM    float64 `json:"width_um"`
			MinWidthUM float64 `json:"min_width_um"`
			MaxDepthUM float64 `json:"max_depth_um"`
			MinLandUM  float64 `json:"min_land_um"`
		} `json:"groove"`
		Cutter struct {
			BackFacetDeg float64 `json:"back_facet_deg"`
			ClearanceDeg float64 `json:"clearance_deg"`
		} `json:"cutter"`
		Playback struct {
			TipUM float64 `json:"tip_um"`
		} `json:"playback"`
	} `json:"room"`
	Verdict struct {
		State   string `json:"state"`
		Reasons []struct {
			Code, Severity, Text string
		} `json:"reasons"`
	} `json:"verdict"`
	Cut struct {
		LevelDB     float64 `json:"level_db"`
		FileGainDB  float64 `json:"file_gain_db"`
		LatheGainDB float64 `json:"lathe_gain_db"`
		Reference   struct {
			VelocityCMS float64 `json:"velocity_cm_s"`
			Axis, Kind  string
			HZ          float64 `json:"hz"`
			DBFS        float64 `json:"dbfs"`
		} `json:"reference"`
	} `json:"cut"`
	Stages []struct {
		ID     string
		Active bool
		Mode   string
		Params json.RawMessage
	} `json:"stages"`
	Changes []struct {
		Stage   string
		StartS  float64 `json:"start_s"`
		EndS    float64 `json:"end_s"`
		Measure string
	} `json:"changes"`
	ChangesTotal int `json:"changes_total"`
	Land         struct {
		BoundMM     *float64 `json:"bound_mm"`
		PlannedMM   *float64 `json:"planned_mm"`
		AvailableMM *float64 `json:"available_mm"`
		Ratio       *float64 `json:"ratio"`
		Points      []struct {
			TS       float64 `json:"t_s"`
			RadiusMM float64 `json:"radius_mm"`
			DepthUM  float64 `json:"depth_um"`
		} `json:"points"`
	} `json:"land"`
	After struct {
		MaxTruePeak *float64 `json:"max_true_peak_dbtp"`
	} `json:"after"`
}

func readOutcome(dir string) (outcome, error) {
	var o outcome
	b, err := os.ReadFile(filepath.Join(dir, "report.json"))
	if err != nil {
		return o, err
	}
	if err := json.Unmarshal(b, &o); err != nil {
		return o, fmt.Errorf("report.json: %w", err)
	}
	return o, nil
}

func (o outcome) active(id string) bool {
	for _, s := range o.Stages {
		if s.ID == id {
			return s.Active
		}
	}
	return false
}

// anyActive says whether one of the stages changed samples.
func (o outcome) anyActive(ids ...string) bool {
	for _, id := range ids {
		if o.active(id) {
			return true
		}
	}
	return false
}

func (o outcome) ratio() float64 {
	if o.Land.Ratio == nil {
		return math.NaN()
	}
	return *o.Land.Ratio
}

// groovePlan is where the groove lies at a time: radius in um and mean depth
// in um, by straight lines between the points of the report.
type groovePlan struct {
	t, radiusUM, depthUM []float64
	last                 int // where the last look-up ended; looks mostly go on from there
}

func (o outcome) plan() *groovePlan {
	p := &groovePlan{}
	for _, q := range o.Land.Points {
		p.t = append(p.t, q.TS)
		p.radiusUM = append(p.radiusUM, 1000*q.RadiusMM)
		p.depthUM = append(p.depthUM, q.DepthUM)
	}
	return p
}

func (p *groovePlan) at(t float64) (radiusUM, depthUM float64) {
	n := len(p.t)
	i := p.last
	if i < 1 || i >= n || t <= p.t[i-1] || t > p.t[i] {
		i = sort.SearchFloat64s(p.t, t)
		p.last = i
	}
	switch {
	case i == 0:
		return p.radiusUM[0], p.depthUM[0]
	case i == n:
		return p.radiusUM[n-1], p.depthUM[n-1]
	}
	f := (t - p.t[i-1]) / (p.t[i] - p.t[i-1])
	return p.radiusUM[i-1] + f*(p.radiusUM[i]-p.radiusUM[i-1]), p.depthUM[i-1] + f*(p.depthUM[i]-p.depthUM[i-1])
}

// channelVelocity is the peak velocity in m/s that a 1 kHz sine of peak 1.0 in
// the premaster gives one channel: the reference tone's velocity brought to
// peak, to one 45 degree axis, to 0 dBFS and to 1 kHz, and the gain set at the
// lathe.
func (o outcome) channelVelocity() float64 {
	r := o.Cut.Reference
	v := r.VelocityCMS / 100
	if r.Kind == "rms" {
		v *= math.Sqrt2
	}
	if r.Axis == "lateral" {
		v /= math.Sqrt2
	}
	return v / dbToRatio(r.DBFS) / cabs(characteristic(r.HZ)) * dbToRatio(o.Cut.LatheGainDB)
}

func dbToRatio(db float64) float64 { return math.Pow(10, db/20) }
