package pipeline_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"discsafe/pipeline"
	"discsafe/pipeline/sideplan"
	"discsafe/testdata/programme"
)

// benchMinutes are the lengths at which memory and speed are taken; the first
// is not special. DISCSAFE_BENCH_MINUTES overrides them, for instance "1,3,6".
func benchMinutes(b *testing.B, standard ...float64) []float64 {
	b.Helper()
	text := os.Getenv("DISCSAFE_BENCH_MINUTES")
	if text == "" {
		return standard
	}
	var out []float64
	for part := range strings.SplitSeq(text, ",") {
		m, err := strconv.ParseFloat(part, 64)
		if err != nil {
			b.Fatalf("DISCSAFE_BENCH_MINUTES: %v", err)
		}
		out = append(out, m)
	}
	return out
}

// buildMix writes a side of music-like sound, 24 bit at 96 kHz, with a plan of
// the ordinary case: lows are summed, the limits are watched, nothing has to be
// treated twice. That is three passes over the audio; infrasonic filtering adds
// a light one, and each tightening two.
func buildMix(b *testing.B, dir string, minutes float64) (planPath string) {
	b.Helper()
	p, err := programme.ByID("band-fit-inner-96")
	if err != nil {
		b.Fatal(err)
	}
	p.DurationS = 60 * minutes
	p.Plan = programme.Plan{Level: "-12", Extra: []string{
		"chain:",
		"  - {stage: block-infrasonic, threshold_um: 20}",
		"  - {stage: band-limit, threshold_dbfs: -20}",
		"  - {stage: sum-lows, when: always}",
		"  - {stage: de-ess}",
		"  - {stage: limit-sides}",
		"  - {stage: fit-level}",
	}}
	if planPath, err = p.Build(dir); err != nil {
		b.Fatal(err)
	}
	return planPath
}

// BenchmarkPrepare20min24bit96k prepares a side of 20 minutes at 24 bit and
// 96 kHz on one core and reports seconds of programme per second.
func BenchmarkPrepare20min24bit96k(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	minutes := benchMinutes(b, 20)[0]
	planPath := buildMix(b, b.TempDir(), minutes)
	plan, err := sideplan.Load(planPath)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		out := filepath.Join(b.TempDir(), "out")
		if _, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "bench"}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(60*minutes*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

// BenchmarkCommandAgainstChain runs the built command on one core at several
// lengths, reads its peak memory, and runs a chain of general-purpose filters
// over the same file on one thread: measure, mid/side split, high-passes,
// compressor, limiter, 24-bit write, measure the written file.
func BenchmarkCommandAgainstChain(b *testing.B) {
	bin := filepath.Join(b.TempDir(), "discsafe")
	if out, err := exec.Command("go", "build", "-o", bin, "discsafe/cmd/discsafe").CombinedOutput(); err != nil {
		b.Fatalf("go build: %v\n%s", err, out)
	}
	for _, minutes := range benchMinutes(b, 5, 20, 60) {
		b.Run(fmt.Sprintf("%gmin", minutes), func(b *testing.B) {
			dir := b.TempDir()
			planPath := buildMix(b, dir, minutes)
			for b.Loop() {
				own := run(b, bin, "prepare", planPath, "--out", filepath.Join(b.TempDir(), "out"))
				chain := runChain(b, filepath.Join(dir, programme.MixFile), filepath.Join(dir, "chain.wav"))
				b.ReportMetric(60*minutes/own.wallS, "x-real-time")
				b.ReportMetric(60*minutes/own.cpuS, "x-real-time-cpu")
				b.ReportMetric(own.peakMiB, "peak-MiB")
				b.ReportMetric(chain.peakMiB, "chain-peak-MiB")
				b.ReportMetric(60*minutes/chain.wallS, "chain-x-real-time")
				b.ReportMetric(chain.wallS/own.wallS, "times-chain")
				b.ReportMetric(chain.cpuS/own.cpuS, "times-chain-cpu")
			}
		})
	}
}

type cost struct{ wallS, cpuS, peakMiB float64 }

// run runs a command on one core. Exit code 3 is a blocked verdict, which costs
// the same work.
func run(b *testing.B, name string, args ...string) cost {
	b.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	start := time.Now()
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	// The kernel's own figure after the end (ru_maxrss) counts the memory of this
	// process, from which the command was forked; VmHWM begins at its start.
	ended, peak := make(chan struct{}), make(chan float64)
	go func() {
		most := 0.0
		for {
			most = max(most, peakMiB(cmd.Process.Pid))
			select {
			case <-ended:
				peak <- most
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	}()
	err := cmd.Wait()
	c := cost{wallS: time.Since(start).Seconds()}
	close(ended)
	c.peakMiB = <-peak
	if err != nil && cmd.ProcessState.ExitCode() != 3 {
		b.Fatalf("%s: %v\n%s", filepath.Base(name), err, out.Bytes())
	}
	c.cpuS = (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds()
	return c
}

// peakMiB is the most memory a running process has held, 0 when it has ended.
func peakMiB(pid int) float64 {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	_, rest, ok := strings.Cut(string(status), "VmHWM:")
	if !ok {
		return 0
	}
	kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
	if err != nil {
		return 0
	}
	return kib / 1024
}

func runChain(b *testing.B, mix, out string) cost {
	b.Helper()
	const chain = "[0:a]pan=mono|c0=0.5*c0+0.5*c1,highpass=f=16[m];[0:a]pan=mono|c0=0.5*c0-0.5*c1,highpass=f=150[s];" +
		"[m][s]join=inputs=2:channel_layout=stereo,pan=stereo|c0=c0+c1|c1=c0-c1,acompressor=threshold=0.5:ratio=4:attack=5:release=50,alimiter=limit=0.966:level=false[o]"
	ffmpeg := func(args ...string) cost {
		head := []string{"-nostdin", "-hide_banner", "-v", "error", "-y", "-threads", "1", "-filter_threads", "1", "-filter_complex_threads", "1"}
		return run(b, "ffmpeg", append(head, args...)...)
	}
	var sum cost
	for _, c := range []cost{
		ffmpeg("-i", mix, "-af", "ebur128=peak=true", "-f", "null", "-"),
		ffmpeg("-i", mix, "-filter_complex", chain, "-map", "[o]", "-c:a", "pcm_s24le", "-threads", "1", out),
		ffmpeg("-i", out, "-af", "ebur128=peak=true", "-f", "null", "-"),
	} {
		sum.wallS += c.wallS
		sum.cpuS += c.cpuS
		sum.peakMiB = max(sum.peakMiB, c.peakMiB)
	}
	return sum
}
