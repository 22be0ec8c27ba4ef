package tones

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"text/tabwriter"
)

// JSON is the sheet for programs; package roomfit takes its readings from it.
func (s *Sheet) JSON() ([]byte, error) {
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("sheet of the test cut: %w", err)
	}
	return append(text, '\n'), nil
}

// ReadSheet reads what JSON wrote. The sheet can be shown and compared with, not
// rendered again.
func ReadSheet(data []byte) (*Sheet, error) {
	var s Sheet
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("sheet of the test cut: %w", err)
	}
	if s.Schema != SheetSchema {
		return nil, fmt.Errorf("sheet of the test cut: schema %q, want %q", s.Schema, SheetSchema)
	}
	return &s, nil
}

//go:embed sheet.html
var pageText string

var page = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"f1": func(v float64) string { return fixed(v, 1) }, "f2": func(v float64) string { return fixed(v, 2) }, "f3": func(v float64) string { return fixed(v, 3) },
	"time": clock, "db": func(v float64) string { return fmt.Sprintf("%+.1f", v) },
	"tone": func(p Part) string { return toneText(&p) }, "want": wanted,
}).Parse(pageText))

// WriteHTML writes the sheet as one page that needs no network and prints on
// a few pages.
func (s *Sheet) WriteHTML(w io.Writer) error {
	if err := page.Execute(w, s); err != nil {
		return fmt.Errorf("sheet of the test cut: %w", err)
	}
	return nil
}

func fixed(v float64, digits int) string { return fmt.Sprintf("%.*f", digits, v) }

// clock is m:ss.s.
func clock(s float64) string {
	tenths := int(math.Round(s * 10))
	return fmt.Sprintf("%d:%02d.%d", tenths/600, tenths/10%60, tenths%10)
}

func toneText(p *Part) string {
	if p.Axis == AxisNone {
		return "none"
	}
	return fmt.Sprintf("%g Hz %s %+.1f dB", p.HZ, p.Axis, p.LevelDB)
}

func wanted(r Reading) string {
	switch r.Unit {
	case "mm":
		return fixed(r.Expected, 2)
	case "dB":
		return fmt.Sprintf("%+.1f", r.Expected)
	}
	return fixed(r.Expected, 1)
}

// WriteText writes the sheet as plain text.
func (s *Sheet) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "TEST CUT for %s on %s, %.4g rpm\n\n", s.Room, s.Disc, s.RPM)
	for _, c := range s.Cautions {
		fmt.Fprintf(&b, "! %s\n", c)
	}
	fmt.Fprintf(&b, "\nreference   %s\ncut at      fixed pitch of %g um (%.1f lines per inch), fixed depth, unmodulated width %g um\nbegins      at radius %.2f mm, ends at %.2f mm after %s\n",
		s.Reference, s.PitchUM, s.LPI, s.WidthUM, s.StartMM, s.EndMM, clock(s.LengthS))
	b.WriteString("announced   in International Morse code (ITU-R M.1677-1), 800 Hz, one second before each part\n")
	for _, l := range s.Limits {
		fmt.Fprintf(&b, "limit       %s\n", l)
	}
	b.WriteString("\n")
	tw := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "part\tcode\tfrom\tto\tradius mm\twhat\ttone\twidth um\tdepth um\tcm/s\tcurvature")
	for i := range s.Parts {
		p := &s.Parts[i]
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%.2f-%.2f\t%s\t%s\t%.1f-%.1f\t%.1f\t%.2f\t%.2f\n",
			p.ID, p.Morse, clock(p.StartS), clock(p.EndS), p.StartMM, p.EndMM, p.What, toneText(p), p.MinWidthUM, p.MaxWidthUM, p.MaxDepthUM, p.VelocityCMS, p.CurvatureRatio)
	}
	if err := tw.Flush(); err != nil {
		return fmt.Errorf("sheet of the test cut: %w", err)
	}
	b.WriteString("\nREADINGS (put the numbers into a file for 'discsafe room fit' or for the service's page of rooms)\n\n")
	tw = tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "id\texpected\tunit\tread\twhat")
	for _, r := range s.Readings {
		fmt.Fprintf(tw, "%s\t%s\t%s\t________\t%s\n", r.ID, wanted(r), r.Unit, r.How)
	}
	if err := tw.Flush(); err != nil {
		return fmt.Errorf("sheet of the test cut: %w", err)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
