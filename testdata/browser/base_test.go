package browser

import (
	"context"
	"encoding/json"
	"testing"

	"github.com/chromedp/chromedp"
)

// nil2 runs an action for its effect.
func nil2[T any](a chromedp.Action[T]) func(context.Context, *chromedp.Target) error {
	return func(ctx context.Context, t *chromedp.Target) error {
		_, err := a(ctx, t)
		return err
	}
}

// idIn is the identifier of a job in what submit --json prints.
func idIn(t *testing.T, out string) string {
	t.Helper()
	var answer struct {
		ID  string `json:"id"`
		Job struct {
			ID string `json:"id"`
		} `json:"job"`
	}
	if err := json.Unmarshal([]byte(out), &answer); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if answer.ID == "" {
		answer.ID = answer.Job.ID
	}
	if answer.ID == "" {
		t.Fatalf("no identifier in %s", out)
	}
	return answer.ID
}

// house is a service with a token for each role.
type house struct {
	*service
	studio, engineer, operator string
}

func newHouse(t *testing.T, more ...string) *house {
	t.Helper()
	return houseOf(t, built, more...)
}

func houseOf(t *testing.T, program string, more ...string) *house {
	t.Helper()
	data := t.TempDir() + "/data"
	h := &house{studio: tokenOf(t, data, "studio", "north", "North, mixing desk"),
		engineer: tokenOf(t, data, "engineer", "", "Ada Lind"),
		operator: tokenOf(t, data, "operator", "", "Night watch")}
	h.service = start(t, program, data, more...)
	return h
}

func TestSignInAndList(t *testing.T) {
	h := newHouse(t)
	b := open(t, h.service)
	b.at("/jobs")
	b.until("the way to sign in", "location.pathname === '/signin'")
	b.accessible("sign-in")
	b.signIn(h.engineer)
	b.accessible("empty list")
	id := h.submitted(t, h.studio)
	b.at("/jobs")
	b.accessible("list")
	b.at("/jobs/" + id)
	b.accessible("job")
}
