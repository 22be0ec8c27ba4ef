package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/report"
)

// printVerdict prints the verdict and its reasons. The words promise nothing
// beyond the room profile.
func printVerdict(w io.Writer, v report.Verdict, room string) {
	fmt.Fprintf(w, "verdict         %s, within the stated room profile (%s)\n", v.State, room)
	for _, r := range v.Reasons {
		kind := string(r.Severity)
		if r.Severity == report.Ready {
			kind = "note"
		}
		line := kind + ": " + strings.TrimSuffix(r.Text, ".")
		if r.Where != nil {
			line += " at " + audio.Timecode(r.Where.TS)
			if r.Where.Track > 0 {
				line += fmt.Sprintf(" (track %d)", r.Where.Track)
			}
		}
		if r.Hint != "" {
			line += "; " + r.Hint
		}
		fmt.Fprintf(w, "  %s\n", line)
	}
}

// showSide prints a side that lies in dir, for people with the plan that made it
// if that is new to them, and turns its verdict into the command's end.
func (a *app) showSide(r *report.Report, dir, plan string) error {
	if a.json {
		if err := r.Write(a.stdout); err != nil {
			return fmt.Errorf("printing the report: %w", err)
		}
		return verdictError(r.Verdict)
	}
	printSide(a.stdout, r)
	if plan != "" {
		fmt.Fprintf(a.stdout, "side plan       %s\n", plan)
	}
	printPlaces(a.stdout, dir, r)
	return verdictError(r.Verdict)
}

// printSide prints verdict and the figures a cutting engineer asks for first.
func printSide(w io.Writer, r *report.Report) {
	printVerdict(w, r.Verdict, r.Side.RoomName)
	c := r.Cut
	fmt.Fprintf(w, "cut level       %+.1f dB re %g cm/s %s %s; %+.1f dB in the file, %+.1f dB to set at the lathe\n",
		c.LevelDB, c.Reference.VelocityCMS, c.Reference.Axis, c.Reference.Kind, c.FileGainDB, c.LatheGainDB)
	fmt.Fprintf(w, "land            %s of %s mm, ends at radius %s mm, %s lines per inch on average\n",
		text(r.Land.PlannedMM, 1), text(r.Land.AvailableMM, 1), text(r.Land.EndRadiusMM, 1), text(r.Land.AverageLPI, 0))
	if p := r.Prediction; p != nil {
		fmt.Fprintf(w, "predicted       treatment %s\n", treatment(r))
		fmt.Fprintf(w, "                width at least %s um, depth at most %s um, curvature %s and slope %s of the limit\n",
			text(p.MinWidthUM, 1), text(p.MaxDepthUM, 1), text(p.CurvatureRatioMax, 2), text(p.SlopeRatioMax, 2))
		fmt.Fprintf(w, "mixes           %s LUFS, true peak %s dBTP, length %s\n",
			text(r.Before.IntegratedLUFS, 1), text(r.Before.MaxTruePeakDBTP, 1), audio.Timecode(r.Side.LengthS))
		return
	}
	fmt.Fprintf(w, "treatment       %s\n", treatment(r))
	fmt.Fprintf(w, "groove          width at least %s um, depth at most %s um, curvature %s and slope %s of the limit\n",
		text(r.After.Groove.MinWidthUM, 1), text(r.After.Groove.MaxDepthUM, 1),
		text(r.After.Groove.CurvatureRatioMax, 2), text(r.After.Groove.SlopeRatioMax, 2))
	fmt.Fprintf(w, "premaster       %s LUFS, true peak %s dBTP, length %s\n",
		text(r.After.IntegratedLUFS, 1), text(r.After.MaxTruePeakDBTP, 1), audio.Timecode(r.Side.LengthS))
}

// treatment says in one line what was done.
func treatment(r *report.Report) string {
	if r.Proof.BitIdentical {
		return "none; every sample equals the mix"
	}
	var parts []string
	for _, s := range r.Stages {
		if !s.Active && s.Predicted != report.PredictedActs {
			continue
		}
		part := s.ID
		if s.MaxChangeDB != nil && s.TreatedS > 0 {
			part += fmt.Sprintf(" (%.1f dB at most, %.1f s)", *s.MaxChangeDB, s.TreatedS)
		}
		parts = append(parts, part)
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}

// printPlaces prints where the results are.
func printPlaces(w io.Writer, dir string, r *report.Report) {
	for _, f := range r.Outputs {
		if f.Role == "premaster" {
			fmt.Fprintf(w, "written         %s\n", filepath.Join(dir, f.Name))
		}
	}
	fmt.Fprintf(w, "report          %s\n", filepath.Join(dir, "report.html"))
	if !r.Analysed() {
		fmt.Fprintf(w, "cutting sheet   %s\n", filepath.Join(dir, "cutting-sheet.html"))
	}
}

// text renders a figure that may not exist.
func text(v *float64, decimals int) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.*f", decimals, *v)
}
