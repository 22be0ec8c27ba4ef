package hook_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"discsafe/api/hook"
	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

func TestAdd(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	id := b.submit()
	b.add(h, id)
	if err := h.Add(b.ctx, id, v1.Hook{URL: "http://hooks.example/other", Secret: secret}); err != nil {
		t.Errorf("added again, as a submission repeated: %v", err)
	}
	b.end(id)
	b.pass(h, 1)
	if g := b.heard()[0]; !strings.HasPrefix(g.uri, "/told/") {
		t.Errorf("the first does not count: %s", g.uri)
	}
	if err := h.Add(b.ctx, "../x", v1.Hook{URL: b.url, Secret: secret}); !errors.Is(err, job.ErrUnknown) {
		t.Errorf("no id: %v", err)
	}
	var p *v1.Problem
	if err := h.Add(b.ctx, id, v1.Hook{URL: "ftp://hooks.example/", Secret: secret}); !errors.As(err, &p) || p.Code != string(v1.HookRefused) {
		t.Errorf("bad address: %v", err)
	}
	b.failAt(func(string, string) error { return errInjected })
	if err := h.Add(b.ctx, b2id(id), v1.Hook{URL: b.url, Secret: secret}); !errors.Is(err, errInjected) || strings.Contains(err.Error(), "secret") {
		t.Errorf("store in trouble: %v", err)
	}
	b.failAt(nil)
	b.add(h, b2id(id))
	if err := h.Remove(b.ctx, b2id(id)); err != nil || b.kept() != 0 {
		t.Errorf("%v, %d kept", err, b.kept())
	}
}

// b2id is another valid id.
func b2id(id string) string {
	return id[:len(id)-1] + map[bool]string{true: "1", false: "0"}[id[len(id)-1] == '0']
}

func TestAddressIsEncryptedWithAKey(t *testing.T) {
	b := newBench(t)
	o := b.options()
	o.Key = []byte("a secret of the service")
	id, id2 := b.submit(), b.submit()
	b.add(hook.New(o), id)
	data, _, err := store.Read(b.ctx, b.store, "hook/"+id)
	if err != nil {
		t.Fatal(err)
	}
	var r struct{ Address []byte }
	if err := json.Unmarshal(data, &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Address) == 0 || strings.Contains(string(r.Address), "hooks.example") || strings.Contains(string(r.Address), "whsec") {
		t.Errorf("readable: %q", r.Address)
	}
	b.end(id)
	other := b.options()
	other.Key = []byte("another secret")
	b.pass(hook.New(b.options()), 0)
	b.pass(hook.New(other), 0)
	b.wantTold(hook.Unreadable, hook.Unreadable)
	if b.kept() != 1 {
		t.Fatal("what another process can read was thrown away")
	}
	b.pass(hook.New(o), 1)
	// Moved to another job, it cannot be read: whose it is, is sealed in.
	moved := strings.Replace(string(data), `"job":"`+id, `"job":"`+id2, 1)
	if err := b.store.PutIfAbsent(b.ctx, "hook/"+id2, []byte(moved)); err != nil {
		t.Fatal(err)
	}
	b.end(id2)
	b.pass(hook.New(o), 0)
}

func TestRecordOfANewerVersionIsLeftAlone(t *testing.T) {
	for name, text := range map[string]string{"newer": `{"schema":"discsafe-hook/9","secret":"x"}`, "no JSON": "secret"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			id := b.submit()
			if err := b.store.PutIfAbsent(b.ctx, "hook/"+id, []byte(text)); err != nil {
				t.Fatal(err)
			}
			b.end(id)
			h := b.hooks()
			b.pass(h, 0)
			b.pass(h, 0)
			b.wantTold(hook.Unreadable)
			if b.kept() != 1 || strings.Contains(b.log.String(), "secret") {
				t.Errorf("%d kept\n%s", b.kept(), b.log.String())
			}
		})
	}
}
