package job_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

func sumOf(data string) string {
	h := sha256.Sum256([]byte(data))
	return hex.EncodeToString(h[:])
}

// put stores an object and returns its key.
func (b *bench) put(key, data string) string {
	b.t.Helper()
	if _, err := b.store.Put(b.ctx, key, strings.NewReader(data)); err != nil && !errors.Is(err, store.ErrExists) {
		b.t.Fatal(err)
	}
	return key
}

// over replaces an object's bytes, as a medium does that is damaged.
func (b *bench) over(key, data string) {
	b.t.Helper()
	if err := b.store.Delete(b.ctx, key); err != nil {
		b.t.Fatal(err)
	}
	b.put(key, data)
}

// house fills a store with jobs in every state and returns those that are done.
func (b *bench) house() (done []*job.Record) {
	b.t.Helper()
	for i := range 6 {
		plan, mix := fmt.Sprint("plan ", i), fmt.Sprint("mix ", i/2) // two jobs share a mix
		q := request("north")
		q.Plan = job.Input{Name: "plan.yaml", Key: b.put("plan/north/"+sumOf(plan), plan), Bytes: int64(len(plan)), SHA256: sumOf(plan)}
		q.Inputs = []job.Input{{Name: "a.wav", Key: b.put("mix/north/"+sumOf(mix), mix), Bytes: int64(len(mix)), SHA256: sumOf(mix)}}
		if i == 3 {
			if err := b.l.Revise(b.ctx, &q, done[0].ID); err != nil {
				b.t.Fatal(err)
			}
		}
		b.clock.pass(time.Second)
		r, _, err := b.l.Submit(b.ctx, fmt.Sprint("key ", i), q)
		if err != nil {
			b.t.Fatal(err)
		}
		switch i {
		case 4: // waits
		case 5: // runs
			b.claim(r.ID, "w1")
		default:
			h := b.claim(r.ID, "w1")
			res := job.Result{Verdict: "ready", Version: "1"}
			for _, name := range []string{"premaster.wav", "report.json", "manifest.json"} {
				data := fmt.Sprint(name, " of ", i) // all of one length for each name
				key := b.put(job.ResultKey(r.ID, h.Attempt, name), data)
				res.Files = append(res.Files, job.Output{Name: name, Key: key, Bytes: int64(len(data)), SHA256: sumOf(data)})
			}
			if r, err = h.Finish(b.ctx, res); err != nil {
				b.t.Fatal(err)
			}
			done = append(done, r)
		}
	}
	b.put("mix/north/"+sumOf("used by nobody"), "used by nobody")
	b.put("mixinfo/north/x", "{}")
	b.clock.pass(2 * time.Hour)
	return done
}

func (b *bench) audit(sizes bool) []job.Finding {
	b.t.Helper()
	var out []job.Finding
	n, err := b.l.Audit(b.ctx, job.AuditOptions{Sizes: sizes, Others: []string{"mixinfo/"}, Hashed: []string{"mix/", "plan/"}}, func(f job.Finding) error { out = append(out, f); return nil })
	if err != nil || n.Findings != len(out) || n.Jobs < 5 {
		b.t.Fatalf("%+v, %v", n, err)
	}
	return out
}

func TestAuditOfASoundStore(t *testing.T) {
	b := newBench(t)
	done := b.house()
	if f := b.audit(false); len(f) > 0 {
		t.Errorf("false alarms: %+v", f)
	}
	if err := b.l.Delete(b.ctx, done[1].ID, "mira"); err != nil {
		t.Fatal(err)
	}
	if f := b.audit(false); len(f) > 0 {
		t.Errorf("false alarms after a deletion: %+v", f)
	}
}

// TestAuditFindsEveryDamage: 500 damages of every kind, one after the other, each
// found, with its kind and its key, and nothing else.
func TestAuditFindsEveryDamage(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 8))
	counts := map[string]int{}
	for i := range 500 {
		b := newBench(t)
		done := b.house()
		r := done[rnd.IntN(len(done))]
		file := r.Result.Files[rnd.IntN(len(r.Result.Files))]
		var want []string // damage and key
		expect := func(damage, key string) { want = append(want, damage+" "+key) }
		switch i % 12 {
		case 0:
			if err := b.store.Delete(b.ctx, file.Key); err != nil {
				t.Fatal(err)
			}
			expect(job.DamageMissing, file.Key)
		case 1:
			b.over(file.Key, fmt.Sprint(file.Name, " of 9")[:rnd.IntN(int(file.Bytes))])
			expect(job.DamageTruncated, file.Key)
		case 2:
			data := []byte(fmt.Sprint(file.Name, " of ", slices.Index(done, r)))
			data[rnd.IntN(len(data))] ^= 1 << rnd.IntN(8)
			b.over(file.Key, string(data))
			expect(job.DamageFlipped, file.Key)
		case 3: // premaster and manifest, of one length by their names
			a, c := r.Result.Files[0], r.Result.Files[2]
			k := strings.TrimPrefix(readAll(t, b, a.Key), a.Name)
			b.over(a.Key, c.Name+k)
			b.over(c.Key, a.Name+k)
			expect(job.DamageSwapped, a.Key)
			expect(job.DamageSwapped, c.Key)
		case 4:
			key := job.ResultKey(r.ID, r.Result.Attempt, "stray.wav")
			b.put(key, "stray")
			expect(job.DamageExtra, key)
		case 5:
			key := job.ResultKey("0123456789abcdefghjkmnpqrs", 1, "premaster.wav")
			b.put(key, "of nobody")
			expect(job.DamageOrphan, key)
		case 6:
			in := r.Request.Inputs[0]
			if err := b.store.Delete(b.ctx, in.Key); err != nil {
				t.Fatal(err)
			}
			expect(job.DamageMissing, in.Key)
		case 7:
			in := r.Request.Plan
			b.over(in.Key, strings.ToUpper(readAll(t, b, in.Key)))
			expect(job.DamageFlipped, in.Key)
		case 8:
			key := "record/" + r.ID
			b.over(key, "{"+strings.Repeat(" ", rnd.IntN(9)))
			expect(job.DamageUnreadable, key)
		case 9:
			keys := b.keys("studio/")
			key := keys[rnd.IntN(len(keys))]
			if err := b.store.Delete(b.ctx, key); err != nil {
				t.Fatal(err)
			}
			expect(job.DamageUnmarked, key)
		case 10:
			b.over("mix/north/"+sumOf("used by nobody"), "used by somebody")
			expect(job.DamageFlipped, "mix/north/"+sumOf("used by nobody"))
		case 11:
			if err := b.store.Delete(b.ctx, "record/"+r.ID); err != nil {
				t.Fatal(err)
			}
			for _, f := range r.Result.Files {
				expect(job.DamageOrphan, f.Key)
			}
			expect(job.DamageOrphan, fmt.Sprintf("seal/%s/%06d", r.ID, r.Result.Attempt))
		}
		b.clock.pass(2 * time.Hour)
		var got []string
		for _, f := range b.audit(false) {
			got = append(got, f.Damage+" "+f.Key)
			counts[f.Damage]++
			if f.Detail == "" || f.Hint == "" {
				t.Errorf("%+v does not say what and what to do", f)
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Fatalf("round %d: found %q, want %q", i, got, want)
		}
	}
	t.Logf("500 damages, found: %v", counts)
}

func readAll(t *testing.T, b *bench, key string) string {
	t.Helper()
	data, _, err := store.Read(b.ctx, b.store, key)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// By sizes alone flipped bytes are not seen, and what a job just being done writes is
// no alarm.
func TestAuditBySizes(t *testing.T) {
	b := newBench(t)
	done := b.house()
	f := done[0].Result.Files[0]
	b.over(f.Key, strings.ToUpper(readAll(t, b, f.Key)))
	if got := b.audit(true); len(got) > 0 {
		t.Errorf("%+v", got)
	}
	b.put(job.ResultKey("0123456789abcdefghjkmnpqrs", 1, "premaster.wav"), "just being written")
	if got := b.audit(true); len(got) > 0 {
		t.Errorf("what is younger than an hour: %+v", got)
	}
	if _, err := b.l.Audit(b.ctx, job.AuditOptions{}, func(job.Finding) error { return errors.New("enough") }); err == nil || err.Error() != "enough" {
		t.Errorf("%v, want what found returned", err)
	}
}

// A store that fails for a moment is no reason to call files those of no job,
// which somebody would then remove by hand.
func TestAuditTellsAFailureFromAnOrphan(t *testing.T) {
	b := newBench(t)
	b.house()
	const nobody = "0123456789abcdefghjkmnpqrs"
	b.put(job.ResultKey(nobody, 1, "premaster.wav"), "of nobody")
	b.clock.pass(2 * time.Hour)
	b.failAt("open", "record/"+nobody)
	_, err := b.l.Audit(b.ctx, job.AuditOptions{Sizes: true, Others: []string{"mixinfo/"}, Hashed: []string{"mix/", "plan/"}}, func(f job.Finding) error {
		t.Errorf("found: %+v", f)
		return nil
	})
	if !errors.Is(err, errInjected) {
		t.Errorf("%v, want the store's failure", err)
	}
}
