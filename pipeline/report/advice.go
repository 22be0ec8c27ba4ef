package report

import (
	"fmt"
	"io"
)

// Advice is a note to the mix that a studio can act on.
type Advice struct {
	StartS   float64  `json:"start_s" doc:"beginning on the side" unit:"s"`
	EndS     float64  `json:"end_s" doc:"end on the side" unit:"s"`
	TrackS   float64  `json:"track_s" doc:"beginning in the track" unit:"s"`
	Track    int      `json:"track" doc:"number of the track, from 1; 0: between tracks"`
	Title    string   `json:"title" doc:"title of the track"`
	Stage    string   `json:"stage" doc:"stage that has to treat it"`
	HZ       *float64 `json:"hz" doc:"about where in the spectrum the motion is, estimated from speed and acceleration of the groove; null: not known" unit:"Hz"`
	Band     string   `json:"band" doc:"that band, in a musician's words"`
	ChangeDB float64  `json:"change_db" doc:"change in the mix after which nothing would have to be treated, negative: less" unit:"dB"`
	CapDB    float64  `json:"cap_change_db" doc:"change after which treatment stays within the plan's cap; 0: it does" unit:"dB"`
	Text     string   `json:"text" doc:"the note, for a person"`
}

// WriteAdvice writes the notes as a text, for the studio. The same report gives
// the same bytes.
func WriteAdvice(w io.Writer, r *Report) error {
	if _, err := fmt.Fprintf(w, "%s, side %s: advice to the mix\n\nWhere the disc cannot carry what the mix asks for, these changes in the mix would help more than treatment\nafterwards. Times count from the beginning of the track; in brackets, of the side. The engineer decides.\n\n", heading(r.Side), r.Side.Side); err != nil {
		return fmt.Errorf("writing the advice: %w", err)
	}
	for i, a := range r.Advice {
		if _, err := fmt.Fprintf(w, "%d. %s\n", i+1, a.Text); err != nil {
			return fmt.Errorf("writing the advice: %w", err)
		}
	}
	return nil
}
