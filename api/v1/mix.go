package v1

import "time"

// Mix is a file handed in: a mix or a room file. It is known by the SHA-256 of
// its bytes, within its studio.
type Mix struct {
	SHA256   string    `json:"sha256"`
	Bytes    int64     `json:"bytes"`
	Name     string    `json:"name,omitempty" doc:"As the sender called it; for people only"`
	Studio   string    `json:"studio"`
	Received time.Time `json:"received"`
	Expires  time.Time `json:"expires,omitzero" doc:"Deleted then, unless a job uses it"`
	Audio    *Audio    `json:"audio,omitempty" doc:"What it holds, if it is sound that can be read"`
	Problem  string    `json:"problem,omitempty" doc:"Why it cannot be read as sound, if so"`
	New      bool      `json:"new,omitempty" doc:"It was not here before"`
}

// Audio describes sound.
type Audio struct {
	Container    string  `json:"container" doc:"wav, flac, aiff"`
	SampleRateHz int     `json:"sample_rate_hz"`
	Channels     int     `json:"channels"`
	Encoding     string  `json:"encoding" doc:"For instance 24-bit PCM"`
	Frames       int64   `json:"frames"`
	LengthS      float64 `json:"length_s"`
}

// Mixes is a list of files handed in.
type Mixes struct {
	Mixes []Mix  `json:"mixes"`
	Next  string `json:"next,omitempty"`
}
