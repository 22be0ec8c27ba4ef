package api

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"testing"

	"discsafe/api/v1"
)

func TestTimeline(t *testing.T) {
	h := newHouse(t, nil)
	j := h.prepared(false, false)
	base := "/v1/jobs/" + j.ID + "/timeline"
	r := h.want(h.ask("a", http.MethodGet, base, nil), http.StatusOK)
	x := decoded[v1.Timeline](t, r)
	if len(x.RadiusMM) != defaultTimelineBins || len(x.Lanes) < 10 || x.FromS != 0 || math.Abs(x.ToS-x.LengthS) > 1e-9 || math.Abs(x.BinS*defaultTimelineBins-x.LengthS) > 1e-6 {
		t.Errorf("%d bins, %d lanes, from %g to %g of %g s", len(x.RadiusMM), len(x.Lanes), x.FromS, x.ToS, x.LengthS)
	}
	for _, l := range x.Lanes {
		if len(l.Min) != defaultTimelineBins || len(l.Max) != defaultTimelineBins {
			t.Errorf("lane %s %s has %d and %d values", l.What, l.ID, len(l.Min), len(l.Max))
		}
	}
	tag := r.Header.Get("ETag")
	h.want(h.ask("a", http.MethodGet, base, nil, "If-None-Match", tag), http.StatusNotModified)
	if y := h.want(h.ask("a", http.MethodGet, base+"?from_s=1&to_s=2&bins=7", nil), http.StatusOK); y.Header.Get("ETag") == tag {
		t.Error("another stretch has the same ETag")
	}
	h.want(h.ask("operator", http.MethodGet, base, nil), http.StatusOK)
	h.want(h.ask("b", http.MethodGet, base, nil), http.StatusNotFound)
	for q, status := range map[string]int{"?from_s=-1": 422, "?from_s=NaN": 422, "?from_s=Inf": 422, "?to_s=1e999": 422, "?from_s=2&to_s=1": 422, "?bins=0": 422,
		"?bins=1025": 422, "?bins=x": 422, "?bin=1": 422, "?bins=1&bins=2": 422, "?from_s=999999&to_s=1000000": 416} {
		if got := h.ask("a", http.MethodGet, base+q, nil); got.StatusCode != status {
			t.Errorf("%s: %d %s, want %d", q, got.StatusCode, got.body, status)
		}
	}
	a := decoded[v1.Timeline](t, h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+h.prepared(true, false).ID+"/timeline", nil), http.StatusOK))
	for _, l := range a.Lanes {
		if l.What == "after" {
			t.Errorf("an analysis shows a premaster: %+v", l.Label)
		}
	}
	waiting := h.submit("a", "")
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+waiting.ID+"/timeline", nil), http.StatusNotFound)
}

// TestTimelineIsSmall: an answer of all lanes of the longest chain, with figures
// as wide as they come, has at most 300 kB.
func TestTimelineIsSmall(t *testing.T) {
	var x v1.Timeline
	curve := func(of func(i int) float64) v1.Curve {
		c := make(v1.Curve, mostTimelineBins)
		for i := range c {
			c[i] = of(i)
		}
		return c
	}
	x.RadiusMM = curve(func(i int) float64 { return 146.005 - 0.085*float64(i) })
	for i := range 16 {
		of := func(k int) float64 { return -123.46 - 0.02*float64(k) } // um in steps of 0.02, far beyond a room's depth
		if i < 4 {
			of = func(k int) float64 { return -float64(k%2000+1)/16384 - 0.5 }
		}
		x.Lanes = append(x.Lanes, v1.Lane{ID: "curvature", What: fmt.Sprint("stage:", i), Label: "Curvature ratio at radius, premaster", Min: curve(of), Max: curve(of)})
	}
	x.Tracks = make([]v1.TimelineTrack, 30)
	b, err := json.Marshal(x)
	if err != nil || len(b) > 300_000 {
		t.Errorf("%d bytes, %v", len(b), err)
	}
}
