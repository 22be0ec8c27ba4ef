package sideplan

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"discsafe/pipeline/spec"
	"discsafe/pipeline/stage"
)

// Stage is one entry of the chain: which stage, and its parameters.
type Stage struct {
	ID     string // one of StageIDs
	Params any    // the stage's parameter struct, by value, e.g. stage.SumLowsParams
}

// StageIDs lists the stages in the default order of the chain.
func StageIDs() []string {
	return []string{stage.BlockInfrasonic, stage.BandLimit, stage.SumLows, stage.DeEss, stage.LimitSides, stage.FitLevel}
}

// newParams returns a pointer to the parameter struct of a stage, nil for an
// unknown id.
func newParams(id string) any {
	switch id {
	case stage.BlockInfrasonic:
		return new(stage.BlockInfrasonicParams)
	case stage.BandLimit:
		return new(stage.BandLimitParams)
	case stage.SumLows:
		return new(stage.SumLowsParams)
	case stage.DeEss:
		return new(stage.DeEssParams)
	case stage.LimitSides:
		return new(stage.LimitSidesParams)
	case stage.FitLevel:
		return new(stage.FitLevelParams)
	}
	return nil
}

// DefaultStage is a stage with its default parameters. It panics for an
// unknown id.
func DefaultStage(id string) Stage {
	p := newParams(id)
	if p == nil {
		panic("sideplan: no stage " + id)
	}
	spec.SetDefaults(p)
	return Stage{ID: id, Params: reflect.ValueOf(p).Elem().Interface()}
}

// DefaultChain is the chain of a plan that names none: every stage, default
// parameters.
func DefaultChain() []Stage {
	ids := StageIDs()
	chain := make([]Stage, len(ids))
	for i, id := range ids {
		chain[i] = DefaultStage(id)
	}
	return chain
}

// DecodeSpec reads a mapping with the field stage and the stage's parameters.
func (s *Stage) DecodeSpec(n spec.Node) {
	if !n.IsMapping() {
		hint := "write - stage: and its parameters below"
		if t, ok := n.Text(); ok && newParams(t) != nil {
			hint = "write - stage: " + t
		}
		n.Fault(spec.CodeType, "want a mapping that begins with stage, got "+n.Describe(), hint)
		return
	}
	idNode, ok := n.Field("stage")
	if !ok {
		n.Fault(spec.CodeMissing, "the field stage is missing", "one of "+strings.Join(StageIDs(), ", "))
		return
	}
	id, ok := idNode.Text()
	if !ok {
		idNode.Fault(spec.CodeType, "want the name of a stage, got "+idNode.Describe(), "one of "+strings.Join(StageIDs(), ", "))
		return
	}
	p := newParams(id)
	if p == nil {
		hint := "one of " + strings.Join(StageIDs(), ", ")
		if near := spec.Suggest(id, StageIDs()); near != "" {
			hint = "did you mean " + near + "?"
		}
		idNode.Fault(CodeStageUnknown, "no stage is called "+idNode.Describe()[len("the text "):], hint)
		return
	}
	n.Struct(p, "stage")
	*s = Stage{ID: id, Params: reflect.ValueOf(p).Elem().Interface()}
}

// SpecSchema describes the entry as one alternative per stage.
func (s *Stage) SpecSchema() spec.Object {
	var alts []spec.Object
	for _, id := range StageIDs() {
		t := reflect.TypeOf(newParams(id)).Elem()
		alts = append(alts, spec.StructSchema(t, spec.Member{Name: "stage", Value: spec.Object{{Name: "const", Value: id}}}))
	}
	return spec.Object{{Name: "oneOf", Value: alts}}
}

// SpecRange describes the entry in words.
func (s *Stage) SpecRange() string {
	return "stage: " + strings.Join(StageIDs(), ", ") + "; and its parameters"
}

// MarshalJSON writes the form Parse reads: the id, then every parameter.
func (s Stage) MarshalJSON() ([]byte, error) {
	params, err := json.Marshal(s.Params)
	if err != nil {
		return nil, fmt.Errorf("parameters of stage %s: %w", s.ID, err)
	}
	id, err := json.Marshal(s.ID)
	if err != nil {
		return nil, fmt.Errorf("id of stage %s: %w", s.ID, err)
	}
	out := append([]byte(`{"stage":`), id...)
	if inner := bytes.Trim(params, "{}"); len(inner) > 0 {
		out = append(append(out, ','), inner...)
	}
	return append(out, '}'), nil
}

// linear holds the stages that filter: what they do does not depend on level.
func linear(id string) bool {
	return id == stage.BlockInfrasonic || id == stage.BandLimit || id == stage.SumLows
}

// checkChain holds the rules of order, with the reason for each.
func checkChain(d *spec.Document, chain []Stage, level Level) {
	seen := map[string]int{}
	broken := false
	firstLimiter := -1 // index of the first stage that holds a peak
	for i, s := range chain {
		if s.ID == "" { // its own fault is known already
			broken = true
			continue
		}
		path := fmt.Sprintf("chain[%d]", i)
		if first, ok := seen[s.ID]; ok {
			d.Fault(path, CodeStageRepeated, fmt.Sprintf("%s stands in the chain twice, first as chain[%d]", s.ID, first), "keep one: each stage acts once")
			continue
		}
		seen[s.ID] = i
		switch {
		case linear(s.ID) && firstLimiter >= 0:
			d.Fault(path, CodeStageOrder,
				fmt.Sprintf("%s stands after %s: a filter after a limiter changes the peaks the limiter has just set", s.ID, chain[firstLimiter].ID),
				"move "+s.ID+" before "+chain[firstLimiter].ID)
		case s.ID == stage.DeEss && slices.ContainsFunc(chain[:i], func(e Stage) bool { return e.ID == stage.LimitSides }):
			d.Fault(path, CodeStageOrder,
				"de-ess stands after limit-sides: it changes the side signal that limit-sides has just held",
				"move de-ess before limit-sides")
		}
		if firstLimiter < 0 && (s.ID == stage.DeEss || s.ID == stage.LimitSides) {
			firstLimiter = i
		}
	}
	const add = "add - stage: fit-level at the end, or give level a number of dB"
	i, ok := seen[stage.FitLevel]
	switch {
	case ok && i != len(chain)-1:
		next := chain[i+1].ID
		if next == "" {
			next = "another stage"
		}
		d.Fault(fmt.Sprintf("chain[%d]", i), CodeStageOrder,
			"fit-level stands before "+next+": a stage after it would change the level and the true peak it has just fitted",
			"move fit-level to the end")
	case !ok && level.Fit && !broken && d.Has("chain"):
		d.Fault("chain", CodeStageMissing, "level is fit, but the chain has no fit-level", add)
	}
}
