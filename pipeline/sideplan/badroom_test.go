package sideplan_test

import (
	"testing"

	"discsafe/pipeline/sideplan"
)

func badRooms() []badFile {
	cases := []badFile{
		{"room empty", "", "empty",
			"room.yaml: the file is empty"},
		{"room as a list", "- a\n", "wrong-type",
			"room.yaml:1:1: want a mapping (lines of field: value), got a list"},
		{"reference axis", "reference: {axis: vertical}\n", "not-in-list",
			"room.yaml:1:19: reference.axis: \"vertical\" is not one of lateral, channel"},
		{"reference level above full scale", "reference: {dbfs: 3}\n", "out-of-range",
			"room.yaml:1:19: reference.dbfs: 3 dBFS is out of range, want -40 to 0 dBFS"},
		{"reference outside the band", "reference: {hz: 5000}\nband_hz: [20, 4000]\n", "room-impossible",
			"room.yaml:1:17: reference.hz: 5000 lies outside band_hz 20 to 4000; the reference tone must be one whose motion is predicted"},
		{"width as text", "groove: {width_um: \"60\"}\n", "wrong-type",
			"room.yaml:1:20: groove.width_um: want a number in um, got the text \"60\"; remove the quotes"},
		{"least width above width", "groove:\n  width_um: 40\n  min_width_um: 45\n", "room-impossible",
			"room.yaml:3:17: groove.min_width_um: 45 is not below groove.width_um 40; an unmodulated groove must be wider than the least width, or no vertical motion is possible"},
		{"deeper than allowed", "groove: {width_um: 150, max_depth_um: 70}\n", "room-impossible",
			"room.yaml:1:20: groove.width_um: the unmodulated depth, half of it, 75 is above groove.max_depth_um 70; the unmodulated groove is already too deep"},
		{"pitch crossed", "pitch: {min_um: 300, max_um: 200}\n", "room-impossible",
			"room.yaml:1:17: pitch.min_um: 300 is not below pitch.max_um 200; the feed needs a range"},
		{"silence would not fit", "groove: {width_um: 100, min_land_um: 20}\npitch: {max_um: 110}\n", "room-impossible",
			"room.yaml:2:17: pitch.max_um: groove.width_um + groove.min_land_um 120 is above pitch.max_um 110; even silence would not fit; check units"},
		{"track mark too wide", "pitch: {track_land_um: 1600}\n", "out-of-range",
			"room.yaml:1:24: pitch.track_land_um: 1600 um is out of range, want 0 to 1200 um"},
		{"band reversed", "band_hz: [20000, 20]\n", "room-impossible",
			"room.yaml:1:11: band_hz[0]: 20000 is not below band_hz[1] 20; give the lowest frequency first"},
		{"band of three", "band_hz: [20, 200, 20000]\n", "room-impossible",
			"room.yaml:1:10: band_hz: 3 numbers given, want 2; give the lowest and the highest frequency"},
		{"tips not numbers", "playback: {report_tips_um: [18, fine]}\n", "wrong-type",
			"room.yaml:1:33: playback.report_tips_um[1]: want a number in um, got the text \"fine\""},
		{"ceiling as text", "cutter: {rms_acceleration_ceiling: none}\n", "wrong-type",
			"room.yaml:1:36: cutter.rms_acceleration_ceiling: want a number in m/s2, got the text \"none\""},
		{"radius crossed", "radius: {outer_mm: 70, inner_mm: 80}\n", "room-impossible",
			"room.yaml:1:34: radius.inner_mm: 80 is not below radius.outer_mm 70; the spiral runs inwards"},
		{"depth switch as a word", "depth: {variable: no}\n", "wrong-type",
			"room.yaml:1:19: depth.variable: want true or false, got the text \"no\"; write false"},
		{"field of the plan", "disc: 12in-33\n", "unknown-field",
			"room.yaml:1:1: disc: unknown field; known here: name, reference, groove, pitch, depth, cutter, playback, band_hz, radius"},
		{"section misspelt", "grove: {width_um: 60}\n", "unknown-field",
			"room.yaml:1:1: grove: unknown field; did you mean groove?"},
	}
	return cases
}

func TestBadRooms(t *testing.T) {
	for _, c := range badRooms() {
		t.Run(c.name, func(t *testing.T) {
			_, err := sideplan.ParseRoom("room.yaml", []byte(c.text))
			checkBad(t, c, err)
		})
	}
}
