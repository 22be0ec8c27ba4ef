package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
)

// inner asks the API's own routes for the identity in ctx, and reads a good
// answer into out. So a page can do nothing that the API would not.
func (b board) inner(ctx context.Context, method, address string, header http.Header, in, out any) error {
	var body io.Reader = http.NoBody
	if in != nil {
		data, err := json.Marshal(in)
		if err != nil {
			return fmt.Errorf("%s %s: %w", method, address, err)
		}
		body = bytes.NewReader(data)
	}
	r, err := http.NewRequestWithContext(ctx, method, address, body)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, address, err)
	}
	r.RequestURI = address
	for name, v := range header {
		r.Header[name] = v
	}
	r.Header.Set("Accept", "application/json")
	if in != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	w := &kept{header: http.Header{}, status: http.StatusOK}
	b.s.routes.ServeHTTP(w, r)
	if w.status >= http.StatusBadRequest {
		p := v1.NewProblem(v1.Internal, "")
		if err := json.Unmarshal(w.body.Bytes(), p); err != nil {
			return fmt.Errorf("%s %s: %d %.200s", method, address, w.status, w.body.Bytes())
		}
		return p
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(w.body.Bytes(), out); err != nil {
		return fmt.Errorf("%s %s: %w", method, address, err)
	}
	return nil
}

// kept takes an answer and keeps it.
type kept struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (k *kept) Header() http.Header         { return k.header }
func (k *kept) Write(p []byte) (int, error) { return k.body.Write(p) }
func (k *kept) WriteHeader(status int)      { k.status = status }

// Submit makes a job by POST /v1/jobs.
func (b board) Submit(ctx context.Context, key string, in v1.Submit) (string, error) {
	header := http.Header{}
	if key != "" {
		header.Set("Idempotency-Key", key)
	}
	if in.Files == nil {
		in.Files = []v1.Use{}
	}
	var j v1.Job
	err := b.inner(ctx, http.MethodPost, "/v1/jobs", header, in, &j)
	return j.ID, err
}

// CheckPlan examines a plan by POST /v1/plans/check.
func (b board) CheckPlan(ctx context.Context, studio, kind, plan string, files []v1.Use) (v1.PlanCheck, error) {
	var c v1.PlanCheck
	err := b.inner(ctx, http.MethodPost, "/v1/plans/check", nil, planToCheck{Kind: kind, Plan: plan, Files: files, Studio: studio}, &c)
	return c, err
}

// TakeMix stores a file while intake is open.
func (b board) TakeMix(ctx context.Context, studio, name string, r io.Reader) (v1.Mix, error) {
	if err := b.s.intake.bytes(ctx); err != nil {
		return v1.Mix{}, b.s.turned(ctx, err)
	}
	m, err := b.s.o.Intake.Take(ctx, studio, name, r, "")
	if err != nil {
		return v1.Mix{}, b.s.problem(ctx, err)
	}
	return m, nil
}

// Mix tells of a file that is here.
func (b board) Mix(ctx context.Context, studio, sha string) (v1.Mix, error) {
	m, err := b.s.o.Intake.Find(ctx, studio, sha)
	if err != nil {
		return v1.Mix{}, b.s.problem(ctx, err)
	}
	return m, nil
}

// The list of room files is read from so many files at most, and shows so many.
const (
	roomsRead = 500
	roomsMost = 20
)

// RoomFiles are files handed in that are called like a room file and are no
// sound.
func (b board) RoomFiles(ctx context.Context, studio string) ([]v1.Mix, error) {
	if id, _ := access.From(ctx); id.Studio != "" {
		studio = id.Studio
	}
	small, err := b.s.o.Intake.Small(ctx, studio, spec.MaxBytes, roomsRead)
	if err != nil {
		return nil, b.s.problem(ctx, err)
	}
	var out []v1.Mix
	seen := map[string]int{}
	for _, m := range small {
		if m.Audio != nil || !strings.Contains(" .yaml .yml .json ", " "+strings.ToLower(path.Ext(m.Name))+" ") {
			continue
		}
		// Of several of one name the latest stands for all.
		if i, ok := seen[m.Name]; !ok {
			seen[m.Name] = len(out)
			out = append(out, m)
		} else if m.Received.After(out[i].Received) {
			out[i] = m
		}
	}
	sortNewest(out)
	return out[:min(len(out), roomsMost)], nil
}

// RoomFigures reads a room file that is here.
func (b board) RoomFigures(ctx context.Context, studio, sha, name string) (groove.Room, error) {
	if _, err := b.Mix(ctx, studio, sha); err != nil {
		return groove.Room{}, err
	}
	room, err := b.s.roomFile(ctx, studio, sha, name)
	if err != nil {
		return groove.Room{}, b.s.problem(ctx, err)
	}
	return room, nil
}

// StudioFor is for whom the caller submits.
func (b board) StudioFor(ctx context.Context, asked string) (string, error) {
	id, _ := access.From(ctx)
	studio, p := studioFor(id, asked)
	if p != nil {
		if len(p.Faults) == 0 {
			p.Faults = []v1.Fault{{Path: "studio", Code: p.Code, Detail: p.Detail, Hint: p.Hint}}
		}
		return "", p
	}
	return studio, nil
}

// FormBytes bounds a form with its files.
func (b board) FormBytes() int64 { return b.s.limits.FormBytes }

// presetAt is the address of presets; the studio stands in it for those who
// see several.
func presetAt(ctx context.Context, studio, name string) string {
	at := "/v1/presets"
	if name != "" {
		at += "/" + url.PathEscape(name)
	}
	if id, _ := access.From(ctx); id.Studio == "" {
		at += "?studio=" + url.QueryEscape(studio)
	}
	return at
}

// Presets are those of a studio, by name.
func (b board) Presets(ctx context.Context, studio string) ([]v1.Preset, error) {
	var list v1.Presets
	err := b.inner(ctx, http.MethodGet, presetAt(ctx, studio, ""), nil, nil, &list)
	return list.Presets, err
}

// Preset is one of them.
func (b board) Preset(ctx context.Context, studio, name string) (v1.Preset, error) {
	var p v1.Preset
	err := b.inner(ctx, http.MethodGet, presetAt(ctx, studio, name), nil, nil, &p)
	return p, err
}

// SavePreset keeps settings under a name, in place of what stood there.
func (b board) SavePreset(ctx context.Context, studio string, p v1.Preset) error {
	return b.inner(ctx, http.MethodPut, presetAt(ctx, studio, p.Name), nil, p, nil)
}

// DeletePreset forgets one.
func (b board) DeletePreset(ctx context.Context, studio, name string) error {
	return b.inner(ctx, http.MethodDelete, presetAt(ctx, studio, name), nil, nil, nil)
}

func sortNewest(list []v1.Mix) {
	slices.SortStableFunc(list, func(a, b v1.Mix) int { return b.Received.Compare(a.Received) })
}
