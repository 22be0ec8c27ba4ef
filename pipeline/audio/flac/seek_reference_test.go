//go:build reference

package flac_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Pink noise that swells and fades, made by sox and encoded by the FLAC project's
// own encoder: frames of many lengths, and more of them than fixtures have.
func TestSeekInStreamsOfTheReferenceEncoder(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct{ rate, seconds, level string }{{"44100", "60", "-8"}, {"176400", "6", "-5"}, {"192000", "30", "-0"}} {
		t.Run(c.rate, func(t *testing.T) {
			wav, coded := filepath.Join(dir, c.rate+".wav"), filepath.Join(dir, c.rate+".flac")
			for _, command := range [][]string{
				{"sox", "-R", "-n", "-b", "24", "-r", c.rate, "-c", "2", wav, "synth", c.seconds, "pinknoise", "vol", "0.5", "tremolo", "0.3", "100"},
				{"flac", "-s", c.level, "-o", coded, wav},
			} {
				if said, err := exec.CommandContext(t.Context(), command[0], command[1:]...).CombinedOutput(); err != nil {
					t.Fatalf("%v: %v %s", command, err, said)
				}
			}
			p, err := os.ReadFile(coded)
			if err != nil {
				t.Fatal(err)
			}
			seekAnywhere(t, p)
			seekReadsLittle(t, p)
		})
	}
}
