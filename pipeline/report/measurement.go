package report

import "encoding/json"

// MeasurementSchema names the layout of the measure command's output.
const MeasurementSchema = "discsafe-measurement/1"

// Measurement is what the measure command says of one file: its format, its
// meters, and the groove it would cut on a disc, untreated, at Cut.LevelDB.
type Measurement struct {
	Schema  string          `json:"schema" doc:"name and version of this layout"`
	Tool    Tool            `json:"tool" doc:"what wrote it"`
	File    File            `json:"file" doc:"the file measured"`
	Disc    Disc            `json:"disc" doc:"format of the disc"`
	Room    json.RawMessage `json:"room" doc:"the room profile as used, defaults filled in"`
	Notes   []Note          `json:"notes" doc:"unit, meaning and standing of values in the room"`
	Limits  Limits          `json:"limits" doc:"the limits held against"`
	Cut     Cut             `json:"cut" doc:"level the groove figures hold for"`
	Verdict Verdict         `json:"verdict" doc:"what stands out, always within the stated room profile"`
	Reading Measures        `json:"reading" doc:"the meters and the groove"`
	Land    Land            `json:"land" doc:"the land plan of the file alone on the side"`
	Series  Series          `json:"series" doc:"curves over time; those of the file stand under before"`
	Timing  Timing          `json:"timing" doc:"passes made, and times if they were asked for"`
}
