package sideplan_test

import (
	"errors"
	"testing"

	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"github.com/google/go-cmp/cmp"
)

// badFile is a file with faults: the reason code of the first, and the whole
// message.
type badFile struct{ name, text, code, want string }

// badPlans are written so that their own part begins on line 4 where they
// begin with base.
func badPlans() []badFile {
	const base = "side: A\ntracks:\n- file: one.wav\n"
	cases := []badFile{
		{"side missing", "tracks: [{file: one.wav}]\n", "missing-field",
			"plan.yaml:1:1: side: is missing; add it: which side of the release, for instance A"},
		{"side blank", "side: \"\"\ntracks: [{file: one.wav}]\n", "missing-field",
			"plan.yaml:1:7: side: is empty; give it a value: which side of the release, for instance A"},
		{"side too long", "side: first side\ntracks: [{file: one.wav}]\n", "wrong-length",
			"plan.yaml:1:7: side: 10 characters, at most 8"},
		{"side as a number", "side: 1\ntracks: [{file: one.wav}]\n", "wrong-type",
			"plan.yaml:1:7: side: want a text, got the number 1; put it in quotes: \"1\""},
		{"no tracks", "side: A\n", "missing-field",
			"plan.yaml:1:1: tracks: is missing; add it: the tracks in the order they are cut"},
		{"tracks empty", "side: A\ntracks: []\n", "wrong-length",
			"plan.yaml:2:9: tracks: want at least 1, got 0"},
		{"tracks as names", "side: A\ntracks:\n- one.wav\n", "wrong-type",
			"plan.yaml:3:3: tracks[0]: want a mapping (lines of field: value), got the text \"one.wav\""},
		{"track without file", "side: A\ntracks:\n- title: One\n", "missing-field",
			"plan.yaml:3:3: tracks[0].file: is missing; add it: the mix (WAV, FLAC or AIFF), relative to the plan"},
		{"unknown field at top", base + "catalog: X-1\n", "unknown-field",
			"plan.yaml:4:1: catalog: unknown field; did you mean catalogue?"},
		{"unknown field in track", base + "  gap: 2\n", "unknown-field",
			"plan.yaml:4:3: tracks[0].gap: unknown field; did you mean gap_s?"},
		{"field given twice", base + "side: B\n", "duplicate-field",
			"plan.yaml:4:1: side: given twice, first on line 1; keep one"},
		{"gap negative", base + "  gap_s: -1\n", "out-of-range",
			"plan.yaml:4:10: tracks[0].gap_s: -1 s is out of range, want 0 to 30 s"},
		{"gap as timecode", base + "  gap_s: 0:02\n", "wrong-type",
			"plan.yaml:4:10: tracks[0].gap_s: want a number in s, got the text \"0:02\"; write minutes and seconds as seconds: 2"},
		{"gain with unit", base + "  gain_db: -1 dB\n", "wrong-type",
			"plan.yaml:4:12: tracks[0].gain_db: want a number in dB, got the text \"-1 dB\"; write -1 without a unit"},
		{"gain not a number", base + "  gain_db: .nan\n", "not-finite",
			"plan.yaml:4:12: tracks[0].gain_db: want a number in dB, got .nan; give a finite number"},
		{"gain infinite in JSON", "{\"side\": \"A\", \"tracks\": [{\"file\": \"one.wav\", \"gain_db\": 1e999}]}", "not-finite",
			"plan.yaml:1:57: tracks[0].gain_db: want a number in dB, got 1e999, which is too large"},
		{"trim ends before it starts", base + "  trim: {start_s: 5, end_s: 4}\n", "trim",
			"plan.yaml:4:29: tracks[0].trim.end_s: the track ends at 4 s, which is not after its start at 5 s; exchange the two, or leave end_s out"},
		{"trim as a number", base + "  trim: 5\n", "wrong-type",
			"plan.yaml:4:9: tracks[0].trim: want a mapping (lines of field: value), got the number 5"},
		{"isrc of eleven characters", base + "  isrc: XX-ABC-25-0001\n", "isrc",
			"plan.yaml:4:9: tracks[0].isrc: isrc \"XX-ABC-25-0001\" has 11 characters without hyphens, want 12; the form is XX-XXX-00-00000 (ISO 3901)"},
		{"isrc with a digit in the country", base + "  isrc: X1ABC2500001\n", "isrc",
			"plan.yaml:4:9: tracks[0].isrc: isrc \"X1ABC2500001\" is not two letters, three letters or digits, and seven digits; the form is XX-XXX-00-00000 (ISO 3901)"},
		{"isrc of another file", base + "  isrc: XXABC2500001\n- file: two.wav\n  isrc: xx-abc-25-00001\n", "isrc",
			"plan.yaml:6:9: tracks[1].isrc: XX-ABC-25-00001 is already the code of tracks[0], another file; each recording has a code of its own"},
		{"disc misspelt", base + "disc: 12inch-33\n", "disc-unknown",
			"plan.yaml:4:7: disc: no disc format is called \"12inch-33\"; did you mean 12in-33?"},
		{"disc unknown", base + "disc: cylinder\n", "disc-unknown",
			"plan.yaml:4:7: disc: no disc format is called \"cylinder\"; known: 12in-33, 12in-45, 10in-33, 10in-45, 7in-45, 7in-33"},
		{"disc as a number", base + "disc: 12\n", "wrong-type",
			"plan.yaml:4:7: disc: want the name of a disc format or a mapping, got the number 12; known: 12in-33, 12in-45, 10in-33, 10in-45, 7in-45, 7in-33"},
		{"disc with unknown figure", base + "disc: {id: 7in-45, outer: 70}\n", "unknown-field",
			"plan.yaml:4:20: disc.outer: unknown field; did you mean outer_mm?"},
		{"disc outside in", base + "disc: {id: 7in-45, outer_mm: 60, inner_quality_mm: 61}\n", "disc-impossible",
			"plan.yaml:4:52: disc.inner_quality_mm: 61 is not below outer_mm 60; the modulated band runs inwards"},
		{"disc at an unknown speed", base + "disc: {speed: 78}\n", "not-in-list",
			"plan.yaml:4:15: disc.speed: 78 rpm is not one of 33, 45"},
		{"level as another word", base + "level: fitt\n", "wrong-type",
			"plan.yaml:4:8: level: want fit or a number in dB, got the text \"fitt\"; did you mean fit?"},
		{"level above every groove", base + "level: 40\n", "out-of-range",
			"plan.yaml:4:8: level: 40 dB is out of range, want -24 to 24 dB"},
		{"level below every groove", base + "level: -30\n", "out-of-range",
			"plan.yaml:4:8: level: -30 dB is out of range, want -24 to 24 dB"},
		{"level above the cap", base + "level: 7.5\ncaps: {max_level_db: 6}\n", "level-outside-caps",
			"plan.yaml:4:8: level: 7.5 dB is above caps.max_level_db 6 dB; lower level, or raise caps.max_level_db"},
		{"level as a list", base + "level: [0]\n", "wrong-type",
			"plan.yaml:4:8: level: want fit or a number in dB, got a list"},
		{"caps crossed", base + "caps: {min_level_db: 3, max_level_db: -3}\n", "level-outside-caps",
			"plan.yaml:4:22: caps.min_level_db: 3 dB is above max_level_db -3 dB; exchange the two"},
		{"treated share in percent", base + "caps: {max_treated_share: 5}\n", "out-of-range",
			"plan.yaml:4:27: caps.max_treated_share: 5 is out of range, want 0 to 1"},
		{"room misspelt", base + "room: genric\n", "room-unknown",
			"plan.yaml:4:7: room: no room is called \"genric\"; did you mean generic?"},
		{"room unknown", base + "room: west wing\n", "room-unknown",
			"plan.yaml:4:7: room: no room is called \"west wing\"; write generic, or the path of a file that ends in .yaml, .yml or .json"},
		{"room inline, unknown field", base + "room: {groove: {widht_um: 60}}\n", "unknown-field",
			"plan.yaml:4:17: room.groove.widht_um: unknown field; did you mean width_um?"},
		{"room inline, field at the wrong level", base + "room:\n  tip_um: 18\n", "unknown-field",
			"plan.yaml:5:3: room.tip_um: unknown field; it belongs under room.playback"},
		{"room inline, width below the least", base + "room: {groove: {width_um: 30, min_width_um: 35}}\n", "room-impossible",
			"plan.yaml:4:45: room.groove.min_width_um: 35 is not below groove.width_um 30; an unmodulated groove must be wider than the least width, or no vertical motion is possible"},
		{"room radius outside the disc", base + "disc: 7in-45\nroom: {radius: {outer_mm: 146}}\n", "disc-impossible",
			"plan.yaml:5:7: room: its radius does not suit the disc 7in-45: outer_mm 146 is not below half of diameter_mm 87.5; correct radius in the room, or choose another disc"},
		{"chain as names", base + "chain: [sum-lows, fit-level]\n", "wrong-type",
			"plan.yaml:4:9: chain[0]: want a mapping that begins with stage, got the text \"sum-lows\"; write - stage: sum-lows\nplan.yaml:4:19: chain[1]: want a mapping that begins with stage, got the text \"fit-level\"; write - stage: fit-level"},
		{"chain entry without stage", base + "chain:\n- crossover_hz: 120\n", "missing-field",
			"plan.yaml:5:3: chain[0]: the field stage is missing; one of block-infrasonic, band-limit, sum-lows, de-ess, limit-sides, fit-level"},
		{"stage misspelt", base + "chain:\n- stage: sum_lows\n- stage: fit-level\n", "stage-unknown",
			"plan.yaml:5:10: chain[0].stage: no stage is called \"sum_lows\"; did you mean sum-lows?"},
		{"stage unknown", base + "chain:\n- stage: reverb\n", "stage-unknown",
			"plan.yaml:5:10: chain[0].stage: no stage is called \"reverb\"; one of block-infrasonic, band-limit, sum-lows, de-ess, limit-sides, fit-level"},
		{"stage with another stage's field", base + "chain:\n- {stage: band-limit, crossover_hz: 150}\n- stage: fit-level\n", "unknown-field",
			"plan.yaml:5:23: chain[0].crossover_hz: unknown field; known here: stage, cutoff_hz, when, threshold_dbfs"},
		{"stage slope not offered", base + "chain:\n- {stage: sum-lows, slope: 18}\n- stage: fit-level\n", "not-in-list",
			"plan.yaml:5:28: chain[0].slope: 18 dB/oct is not one of 6, 12, 24"},
		{"stage crossover out of range", base + "chain:\n- {stage: sum-lows, crossover_hz: 20}\n- stage: fit-level\n", "out-of-range",
			"plan.yaml:5:35: chain[0].crossover_hz: 20 Hz is out of range, want 30 to 500 Hz"},
		{"stage twice", base + "chain:\n- stage: sum-lows\n- stage: sum-lows\n- stage: fit-level\n", "stage-repeated",
			"plan.yaml:6:3: chain[1]: sum-lows stands in the chain twice, first as chain[0]; keep one: each stage acts once"},
		{"fit-level not last", base + "chain:\n- stage: fit-level\n- stage: sum-lows\n", "stage-order",
			"plan.yaml:5:3: chain[0]: fit-level stands before sum-lows: a stage after it would change the level and the true peak it has just fitted; move fit-level to the end"},
		{"filter after de-ess", base + "chain:\n- stage: de-ess\n- stage: band-limit\n- stage: fit-level\n", "stage-order",
			"plan.yaml:6:3: chain[1]: band-limit stands after de-ess: a filter after a limiter changes the peaks the limiter has just set; move band-limit before de-ess"},
		{"filter after limit-sides", base + "chain:\n- stage: limit-sides\n- stage: sum-lows\n- stage: fit-level\n", "stage-order",
			"plan.yaml:6:3: chain[1]: sum-lows stands after limit-sides: a filter after a limiter changes the peaks the limiter has just set; move sum-lows before limit-sides"},
		{"de-ess after limit-sides", base + "chain:\n- stage: limit-sides\n- stage: de-ess\n- stage: fit-level\n", "stage-order",
			"plan.yaml:6:3: chain[1]: de-ess stands after limit-sides: it changes the side signal that limit-sides has just held; move de-ess before limit-sides"},
		{"level fit without fit-level", base + "chain:\n- stage: sum-lows\n", "stage-missing",
			"plan.yaml:5:1: chain: level is fit, but the chain has no fit-level; add - stage: fit-level at the end, or give level a number of dB"},
		{"level fit with an empty chain", base + "chain: []\n", "stage-missing",
			"plan.yaml:4:8: chain: level is fit, but the chain has no fit-level; add - stage: fit-level at the end, or give level a number of dB"},
		{"bit depth not offered", base + "output: {bit_depth: 32}\n", "not-in-list",
			"plan.yaml:4:21: output.bit_depth: 32 bit is not one of 16, 24"},
		{"sample rate not offered", base + "output: {sample_rate: 32000}\n", "not-in-list",
			"plan.yaml:4:23: output.sample_rate: 32000 Hz is not one of 0, 44100, 48000, 88200, 96000, 176400, 192000"},
		{"mono as a word", base + "mono: on\n", "wrong-type",
			"plan.yaml:4:7: mono: want true or false, got the text \"on\"; write true"},
		{"notes with a bell", base + "notes: \"a\\ab\"\n", "bad-characters",
			"plan.yaml:4:8: notes: holds the control character U+0007; remove it"},
		{"alias", base + "title: &t x\nartist: *t\n", "alias",
			"plan.yaml:4:8: an anchor (&t) is not allowed; write the value out wherever it is needed\nplan.yaml:5:9: an alias (*t) is not allowed; write the value out"},
		{"not YAML", base + "title: [x\n", "syntax",
			"plan.yaml:4: not readable as YAML: did not find expected ',' or ']'; check indentation, colons and quotes near this line"},
		{"several faults in file order", "sied: A\ntracks:\n- fiel: one.wav\n  gain_db: 99\nchain:\n- stage: fit-level\n- stage: de-ess\n", "unknown-field",
			"plan.yaml:1:1: sied: unknown field; did you mean side?\nplan.yaml:3:3: tracks[0].fiel: unknown field; did you mean file?\nplan.yaml:4:12: tracks[0].gain_db: 99 dB is out of range, want -24 to 24 dB\nplan.yaml:6:3: chain[0]: fit-level stands before de-ess: a stage after it would change the level and the true peak it has just fitted; move fit-level to the end"},
	}
	return cases
}

func TestBadPlans(t *testing.T) {
	for _, c := range badPlans() {
		t.Run(c.name, func(t *testing.T) {
			_, err := sideplan.Parse("plan.yaml", []byte(c.text))
			checkBad(t, c, err)
		})
	}
}

func checkBad(t *testing.T, c badFile, err error) {
	t.Helper()
	list, ok := errors.AsType[*spec.Error](err)
	if !ok {
		t.Fatalf("want a *spec.Error, got %v", err)
	}
	if d := cmp.Diff(c.want, err.Error()); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	if got := list.Faults[0].Code; got != c.code {
		t.Errorf("want reason code %q, got %q", c.code, got)
	}
}
