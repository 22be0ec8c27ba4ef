//go:build reference

package tones_test

import (
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/tones"
	"discsafe/testdata/scipy"
)

// The written file as SciPy reads it: amplitude and frequency of each tone by
// projection, and from them, by the recording characteristic of IEC 60098 (time
// constants 3180, 318 and 75 us) and the velocity of the reference tone alone,
// how the groove moves. Nothing of the program has a part in it.
const scipyProgram = `
import json, sys
import numpy as np
from scipy.io import wavfile
from scipy.optimize import minimize_scalar
path, sheet = sys.argv[1], json.load(open(sys.argv[2]))
rate, pcm = wavfile.read(path)
pcm = pcm.astype(np.float64) / 2**31 if pcm.dtype == np.int32 else None
def characteristic(f):
    s = 2j * np.pi * f
    return abs((1 + s * 3180e-6) * (1 + s * 75e-6) / (1 + s * 318e-6))
def amplitude(x, f):
    t = np.arange(len(x)) / rate
    a = np.column_stack([np.sin(2 * np.pi * f * t), np.cos(2 * np.pi * f * t)])
    return np.hypot(*np.linalg.lstsq(a, x, rcond=None)[0])
out = {"rate": rate, "frames": len(pcm), "parts": []}
for p in sheet["parts"]:
    edge = 0.15 * (p["end_s"] - p["start_s"])
    x = pcm[round((p["start_s"] + edge) * rate):round((p["end_s"] - edge) * rate)]
    row = {"id": p["id"], "rms": float(np.sqrt(np.mean(x**2)))}
    if p["axis"] != "none":
        # The frequency is looked for, not taken from the sheet.
        y = x[:, 0]
        k = np.argmax(abs(np.fft.rfft(y * np.hanning(len(y)))))
        step = rate / len(y)
        f = minimize_scalar(lambda f: -amplitude(y, f), bounds=((k - 1) * step, (k + 1) * step), method="bounded", options={"xatol": 1e-6}).x
        lateral, vertical = (amplitude((x[:, 0] + sign * x[:, 1]) / 2, f) for sign in (1, -1))
        ref = sheet["reference"]
        k = ref["velocity_cm_s"] / 10 ** (ref["dbfs"] / 20) * characteristic(f) / characteristic(ref["hz"])
        row |= {"hz": f, "dbfs": 20 * np.log10(max(lateral, vertical)), "lateral_cm_s": k * lateral, "vertical_cm_s": k * vertical}
        row |= {"lateral_um": 1e4 * k * lateral / (2 * np.pi * f), "vertical_um": 1e4 * k * vertical / (2 * np.pi * f)}
    out["parts"].append(row)
json.dump(out, sys.stdout)
`

// Level of the reference tone: 5 cm/s lateral peak, as a test record's listing has
// it (secondary, see groove.Reference), for -14 dBFS. 2e-4: dither and the least
// step of 24 bit are 1e-5 of the quietest tone; edges of the fades are left out.
func TestFileAgainstSciPy(t *testing.T) {
	const tolerance = 2e-4
	s := plan(t, "12in-33")
	path, sheetPath := written(t, s, tones.SoundName), written(t, s, tones.JSONName)
	var got struct {
		Rate   int   `json:"rate"`
		Frames int64 `json:"frames"`
		Parts  []struct {
			ID          string  `json:"id"`
			RMS         float64 `json:"rms"`
			HZ          float64 `json:"hz"`
			DBFS        float64 `json:"dbfs"`
			LateralCMS  float64 `json:"lateral_cm_s"`
			VerticalCMS float64 `json:"vertical_cm_s"`
			LateralUM   float64 `json:"lateral_um"`
			VerticalUM  float64 `json:"vertical_um"`
		} `json:"parts"`
	}
	scipy.Run(t, scipyProgram, nil, &got, path, sheetPath)
	if got.Rate != s.RateHz || got.Frames != s.Frames() || len(got.Parts) != len(s.Parts) {
		t.Fatalf("%d Hz, %d frames, %d parts", got.Rate, got.Frames, len(got.Parts))
	}
	expected := map[string]float64{}
	for _, r := range s.Readings {
		expected[r.ID] = r.Expected
	}
	for i, g := range got.Parts {
		p := s.Parts[i]
		if p.Axis == tones.AxisNone {
			if g.RMS > 1e-7 {
				t.Errorf("%s is not silent: %g rms", p.ID, g.RMS)
			}
			continue
		}
		near(t, p.ID+" frequency", g.HZ, p.HZ, 1e-6)
		near(t, p.ID+" velocity", math.Max(g.LateralCMS, g.VerticalCMS), p.VelocityCMS, tolerance)
		if math.Abs(g.DBFS-(s.Reference.DBFS+p.LevelDB)) > 0.002 {
			t.Errorf("%s is at %.4f dBFS, want %g", p.ID, g.DBFS, s.Reference.DBFS+p.LevelDB)
		}
		across, along := g.VerticalUM, g.LateralUM
		if p.Axis == tones.AxisVertical {
			across, along = along, across
		}
		if across > 1e-3 {
			t.Errorf("%s moves %g um on the other axis", p.ID, across)
		}
		near(t, p.ID+" motion", along, math.Hypot(p.LateralUM, p.VerticalUM), tolerance)
		switch {
		case p.ID == "R":
			near(t, "reference tone, cm/s lateral peak", g.LateralCMS, 5, tolerance)
			fallthrough
		case strings.HasPrefix(p.ID, "L"):
			near(t, p.ID+"-swing", 2*g.LateralUM, expected[p.ID+"-swing"], tolerance)
		case p.Axis == tones.AxisVertical: // walls at 45 degrees: the width changes by twice the depth
			near(t, p.ID+"-widest", s.WidthUM+2*g.VerticalUM, expected[p.ID+"-widest"], tolerance)
			near(t, p.ID+"-narrowest", s.WidthUM-2*g.VerticalUM, expected[p.ID+"-narrowest"], tolerance)
		default:
			near(t, p.ID+"-level", g.DBFS-s.Reference.DBFS, expected[p.ID+"-level"], tolerance)
		}
	}
}

// SoX and ffmpeg take the file as it is, whole, and find the reference tone at
// -14 dBFS peak. 0.005 dB is half of SoX's last figure.
func TestFileAgainstSoxAndFFmpeg(t *testing.T) {
	s := plan(t, "7in-45")
	path, r := written(t, s, tones.SoundName), part(t, s, "R")
	run := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.Command(name, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		return string(out)
	}
	if got, want := strings.Fields(run("sox", "--i", "-r", path)+run("sox", "--i", "-c", path)+run("sox", "--i", "-b", path)+run("sox", "--i", "-s", path)), fmt.Sprint(s.RateHz, 2, 24, s.Frames()); strings.Join(got, " ") != want {
		t.Errorf("sox reads %v, want %s", got, want)
	}
	stats := run("sox", path, "-n", "trim", fmt.Sprint(r.StartS+0.5), "9", "stats")
	peak := regexp.MustCompile(`Pk lev dB +(\S+) +(\S+) +(\S+)`).FindStringSubmatch(stats)
	if len(peak) != 4 {
		t.Fatalf("no peak level in\n%s", stats)
	}
	for _, text := range peak[1:] {
		var db float64
		if _, err := fmt.Sscan(text, &db); err != nil || math.Abs(db-groove.DefaultRoom().Reference.DBFS) > 0.005 {
			t.Errorf("sox finds the reference tone at %s dBFS", text)
		}
	}
	if got := strings.TrimSpace(run("ffmpeg", "-v", "error", "-xerror", "-i", path, "-f", "null", "-")); got != "" {
		t.Errorf("ffmpeg says %s", got)
	}
	probe := run("ffprobe", "-v", "error", "-show_entries", "stream=codec_name,sample_rate,channels,duration_ts", "-of", "csv=p=0", path)
	if got, want := strings.TrimSpace(probe), fmt.Sprintf("pcm_s24le,%d,2,%d", s.RateHz, s.Frames()); got != want {
		t.Errorf("ffprobe reads %s, want %s", got, want)
	}
}

// written is a file of the test cut, as the command and the page give it.
func written(t *testing.T, s *tones.Sheet, name string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	src, err := s.File(name)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(src)
	if err == nil {
		err = os.WriteFile(path, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}
