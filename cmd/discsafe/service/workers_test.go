package service

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"
)

// An operator's word reaches the worker through the store: it takes no more
// jobs, those that wait stay, and it goes on when told so. Its end takes its name
// and its mark off the list.
func TestDrainAndResumeWorker(t *testing.T) {
	t.Parallel()
	o := own(t, t.TempDir())
	o.AskEvery = 50 * time.Millisecond
	s, stop := run(t, o)
	c := dial(t, s.URL(), "", nil)
	var me v1.Member
	eventually(t, "the worker is listed", func() bool {
		all, err := c.Workers(t.Context())
		if err == nil && len(all) == 1 {
			me = all[0]
		}
		return me.Name != ""
	})
	if me.Name != s.name || me.Slots != 1 || me.Asked || me.Drained {
		t.Fatalf("%+v", me)
	}
	if err := c.Drain(t.Context(), me.Name); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it takes no more jobs", func() bool { return s.worker.Status().Paused })
	listed, err := c.Workers(t.Context())
	if err != nil || len(listed) != 1 || !listed[0].Asked || listed[0].By != "local" || listed[0].Since.IsZero() {
		t.Errorf("%+v %v", listed, err)
	}
	if err := c.Undrain(t.Context(), me.Name); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it takes jobs again", func() bool { return !s.worker.Status().Paused })
	if err := c.Drain(t.Context(), me.Name); err != nil {
		t.Fatal(err)
	}
	if err := c.Drain(t.Context(), "nobody-1"); err == nil || !strings.Contains(err.Error(), "no such worker") {
		t.Errorf("draining nobody: %v", err)
	}
	stop()
	for o, err := range all(t, filepath.Join(o.Data, "store")) {
		if err != nil || strings.HasPrefix(o.Key, "roster/") || strings.HasPrefix(o.Key, "drain/") {
			t.Errorf("left in the store: %s %v", o.Key, err)
		}
	}
}
