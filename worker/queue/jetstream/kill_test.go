package jetstream_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"discsafe/worker/queue/jetstream"
)

// childDir tells this test binary to be a process that publishes until it is
// killed.
const childDir = "DISCSAFE_TEST_BROKER_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := publishForever(dir); err != nil {
			fmt.Println("error", err)
		}
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// publishForever prints the number of each message the broker acknowledged.
func publishForever(dir string) error {
	ctx := context.Background()
	b, err := jetstream.StartBroker(ctx, jetstream.BrokerOptions{Dir: dir})
	if err != nil {
		return err
	}
	q, err := jetstream.Open(ctx, jetstream.Options{Broker: b})
	if err != nil {
		return err
	}
	first, err := strconv.Atoi(os.Getenv(childDir + "_FIRST"))
	if err != nil {
		return err
	}
	for n := first; ; n++ {
		if err := q.Publish(ctx, bulk("a", n)); err != nil {
			return err
		}
		fmt.Println(n)
	}
}

// kill -9 tests the process's death, not the machine's: what only the kernel
// holds survives it.
func TestKilledBrokerKeepsWhatItAcknowledged(t *testing.T) {
	dir := t.TempDir()
	acked := make(map[string]bool)
	first := 0
	for range 3 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childDir+"="+dir, fmt.Sprintf("%s_FIRST=%d", childDir, first))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for seen := 0; lines.Scan(); seen++ {
			n, err := strconv.Atoi(lines.Text())
			if err != nil {
				t.Fatalf("child: %s", lines.Text())
			}
			acked[bulk("a", n).ID()] = true
			first = n + 2 // the one under way may be stored or not
			if seen == 25 {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := cmd.Wait(); err == nil || !strings.Contains(err.Error(), "killed") {
			t.Fatalf("child: %v; want it killed", err)
		}
	}
	b, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	q := open(t, jetstream.Options{Broker: b})
	total := len(acked)
	for len(acked) > 0 {
		d, err := q.Fetch(t.Context(), 20*time.Second)
		if err != nil {
			t.Fatalf("%d of %d acknowledged messages are lost: %v", len(acked), total, err)
		}
		delete(acked, d.Message().ID())
		if err := d.Done(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if total < 3*25 {
		t.Errorf("only %d messages were acknowledged: the test tests nothing", total)
	}
}
