//go:build reference

package meter

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
)

// The comparison with a general-purpose meter on real audio. It needs ffmpeg
// and, in DISCSAFE_AUDIO, a folder with at least 36 FLAC or WAV pieces (the
// Debian package sonic-pi-samples has enough); without them it fails:
//
//	DISCSAFE_AUDIO=/usr/share/sonic-pi/samples go test -tags reference -run Reference ./pipeline/meter
//
// Pieces are joined in threes and repeated to 75 s, so that a loudness range
// exists, at rates in turn.
const (
	referencePieces     = 36
	piecesPerProgramme  = 3
	programmeSeconds    = "75"
	toleranceIntegrated = 0.1 // LU, the tolerance of EBU Tech 3341
	toleranceRange      = 0.5 // LU; EBU Tech 3342 allows 1
	tolerancePeak       = 0.1 // dB; the reference interpolates to 192 kHz only
)

func TestReferenceMeter(t *testing.T) {
	pieces := findPieces(t)
	for i := 0; i+piecesPerProgramme <= len(pieces); i += piecesPerProgramme {
		rate := []int{44100, 48000, 96000}[i/piecesPerProgramme%3]
		group := pieces[i : i+piecesPerProgramme]
		t.Run(fmt.Sprintf("%s_%d", filepath.Base(group[0]), rate), func(t *testing.T) {
			path := join(t, group, rate)
			want := reference(t, path)
			got := measureFile(t, path)
			t.Logf("LUFS %.3f (reference %.3f), LRA %.3f (%.3f), dBTP %.3f (%.3f +- %.3f)", *got.IntegratedLUFS, want.integrated,
				*got.LoudnessRangeLU, want.loudnessRange, *got.MaxTruePeakDBTP, want.truePeakDB, want.peakStepDB)
			near(t, "integrated", got.IntegratedLUFS, want.integrated, toleranceIntegrated)
			near(t, "loudness range", got.LoudnessRangeLU, want.loudnessRange, toleranceRange)
			near(t, "true peak", got.MaxTruePeakDBTP, want.truePeakDB, tolerancePeak+want.peakStepDB)
		})
	}
}

// findPieces returns the largest pieces, so that none is a mere click.
func findPieces(t *testing.T) []string {
	t.Helper()
	dir := os.Getenv("DISCSAFE_AUDIO")
	if dir == "" {
		t.Fatal("DISCSAFE_AUDIO is not set: name a folder with FLAC or WAV pieces")
	}
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Fatalf("this test compares with ffmpeg: %v; install it", err)
	}
	type piece struct {
		path string
		size int64
	}
	var found []piece
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !slices.Contains([]string{".flac", ".wav"}, strings.ToLower(filepath.Ext(path))) {
			return err
		}
		info, err := d.Info()
		found = append(found, piece{path, info.Size()})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(found) < referencePieces {
		t.Fatalf("%s has %d FLAC or WAV pieces, want at least %d", dir, len(found), referencePieces)
	}
	slices.SortFunc(found, func(a, b piece) int {
		if a.size != b.size {
			return int(b.size - a.size)
		}
		return strings.Compare(a.path, b.path)
	})
	paths := make([]string, referencePieces)
	for i := range paths {
		paths[i] = found[i].path
	}
	return paths
}

// join writes the pieces one after the other, repeated, as a 24-bit WAV.
func join(t *testing.T, pieces []string, rateHz int) string {
	t.Helper()
	dir := t.TempDir()
	once, long := filepath.Join(dir, "once.wav"), filepath.Join(dir, "long.wav")
	var args []string
	filter, inputs := "", ""
	for i, p := range pieces {
		args = append(args, "-i", p)
		filter += fmt.Sprintf("[%d:a]aresample=%d,aformat=sample_fmts=s32:channel_layouts=stereo[p%d];", i, rateHz, i)
		inputs += fmt.Sprintf("[p%d]", i)
	}
	filter += fmt.Sprintf("%sconcat=n=%d:v=0:a=1", inputs, len(pieces))
	ffmpeg(t, append(args, "-filter_complex", filter, "-c:a", "pcm_s24le", once)...)
	ffmpeg(t, "-stream_loop", "-1", "-i", once, "-t", programmeSeconds, "-c:a", "copy", long)
	return long
}

func ffmpeg(t *testing.T, args ...string) []byte {
	t.Helper()
	cmd := exec.Command("ffmpeg", append([]string{"-hide_banner", "-nostdin", "-v", "error"}, args...)...)
	var out, complaint bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		t.Fatalf("ffmpeg %v: %v: %s", args, err, complaint.String())
	}
	return out.Bytes()
}

type referenceReading struct {
	integrated, loudnessRange, truePeakDB float64
	peakStepDB                            float64 // resolution of the printed peak
}

// reference reads the last values of the ebur128 filter's metadata, which has
// three decimals where the summary has one.
func reference(t *testing.T, path string) referenceReading {
	t.Helper()
	out := ffmpeg(t, "-i", path, "-filter_complex", "ebur128=peak=true:metadata=1,ametadata=print:file=-", "-f", "null", "-")
	last := func(key string) float64 {
		all := regexp.MustCompile(`(?m)^lavfi\.r128\.`+regexp.QuoteMeta(key)+`=(\S+)$`).FindAllSubmatch(out, -1)
		if len(all) == 0 {
			t.Fatalf("the ebur128 filter printed no %s", key)
		}
		v, err := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	peak := max(last("true_peaks_ch0"), last("true_peaks_ch1"))
	return referenceReading{
		integrated: last("I"), loudnessRange: last("LRA"),
		truePeakDB: 20 * math.Log10(peak), peakStepDB: 20 * math.Log10(1+0.0005/peak),
	}
}

func measureFile(t *testing.T, path string) Reading {
	t.Helper()
	src, err := codec.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	m, err := New(src.Format(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := audio.NewBlock(2048)
	for {
		n, err := src.Read(b)
		m.Add(b.Slice(0, n))
		if errors.Is(err, io.EOF) {
			return m.Result()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// BenchmarkReferenceAudio measures the speed on real audio, kept in memory.
func BenchmarkReferenceAudio(b *testing.B) {
	dir := os.Getenv("DISCSAFE_AUDIO")
	paths, err := filepath.Glob(filepath.Join(dir, "loop_*.flac"))
	if err != nil || len(paths) == 0 {
		b.Fatalf("no loop_*.flac in DISCSAFE_AUDIO=%q (%v)", dir, err)
	}
	for _, rate := range []int{48000, 96000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			var blocks []audio.Block
			frames := 0
			for _, p := range paths {
				raw, err := exec.Command("ffmpeg", "-v", "error", "-nostdin", "-i", p, "-ac", "2", "-ar", fmt.Sprint(rate), "-f", "f64le", "-").Output()
				if err != nil {
					b.Fatal(err)
				}
				for ; len(raw) >= 16*2048; raw = raw[16*2048:] {
					blk := audio.NewBlock(2048)
					for i := range blk.L {
						blk.L[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[16*i:]))
						blk.R[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[16*i+8:]))
					}
					blocks = append(blocks, blk)
					frames += 2048
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				m, err := New(audio.Format{SampleRateHz: rate}, Options{})
				if err != nil {
					b.Fatal(err)
				}
				for _, blk := range blocks {
					m.Add(blk)
				}
			}
			seconds := float64(frames) / float64(rate)
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
			b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(frames), "ns/frame")
		})
	}
}
