package report

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"io"
)

//go:embed pages/report.html pages/cutting-sheet.html pages/parts.html pages/astraced.html pages/speeds.html pages/arrangement.html
var pageFiles embed.FS

// styleSheet serves both pages.
//
//go:embed pages/style.css
var styleSheet string

// contentPolicy forbids the page everything, the network included, but its own
// style sheet, which it knows by hash.
var contentPolicy = policyFor(styleSheet)

var pages = template.Must(template.ParseFS(pageFiles, "pages/*.html"))

func policyFor(css string) string {
	sum := sha256.Sum256([]byte(css))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'"
}

// WriteHTML writes report.html: one file that needs no network and no script.
// The same report gives the same bytes.
func WriteHTML(w io.Writer, r *Report) error { return writePage(w, "report.html", newView(r)) }

// WriteCuttingSheet writes cutting-sheet.html, which prints on one or two
// pages of A4 or Letter. There is none of a side that was only analysed.
func WriteCuttingSheet(w io.Writer, r *Report) error { return writeSheet(w, r, nil) }

func writeSheet(w io.Writer, r *Report, signed *SignOff) error {
	if r.Analysed() {
		return errors.New("making cutting-sheet.html: the side was only analysed, there is nothing to cut")
	}
	s := newSheet(r)
	s.Signed = signOf(signed)
	return writePage(w, "cutting-sheet.html", s)
}

func writePage(w io.Writer, name string, data any) error {
	var b bytes.Buffer // a template error must not leave half a page behind
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("making %s: %w", name, err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return nil
}
