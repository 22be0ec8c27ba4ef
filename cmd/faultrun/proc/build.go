package proc

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// Programs are the files of the programs a run needs.
type Programs struct {
	Discsafe string // with the fault points built in
	NATS     string
	S3       string // "" unless asked for
}

// S3Module is the object store the cluster is tried with: an S3 gateway over a
// folder, honouring conditional writes.
const S3Module = "github.com/versity/versitygw/cmd/versitygw@v1.8.0"

// Build builds the programs into dir, those that others made once into cache.
// root is the folder of the module.
func Build(ctx context.Context, root, dir, cache string, s3 bool) (*Programs, error) {
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return nil, err
	}
	p := &Programs{Discsafe: filepath.Join(dir, "discsafe")}
	if err := run(ctx, root, nil, "go", "build", "-tags", "faultpoints", "-o", p.Discsafe, "./cmd/discsafe"); err != nil {
		return nil, err
	}
	version, err := exec.CommandContext(ctx, "go", "-C", root, "list", "-m", "-f", "{{.Version}}", "github.com/nats-io/nats-server/v2").Output()
	if err != nil {
		return nil, fmt.Errorf("which NATS server this module uses: %w", err)
	}
	p.NATS = filepath.Join(cache, "nats-server-"+strings.TrimSpace(string(version)))
	if err := once(p.NATS, func(to string) error {
		return run(ctx, root, nil, "go", "build", "-o", to, "github.com/nats-io/nats-server/v2")
	}); err != nil {
		return nil, err
	}
	if !s3 {
		return p, nil
	}
	_, number, _ := strings.Cut(S3Module, "@")
	p.S3 = filepath.Join(cache, "versitygw-"+number)
	return p, once(p.S3, func(to string) error {
		bin := filepath.Join(cache, "bin")
		defer os.RemoveAll(bin)
		// Outside the module: its dependencies are no business of ours.
		if err := run(ctx, cache, []string{"GOBIN=" + bin, "GOFLAGS="}, "go", "install", S3Module); err != nil {
			return err
		}
		return os.Rename(filepath.Join(bin, "versitygw"), to)
	})
}

// once makes a file unless it is there.
func once(path string, build func(to string) error) error {
	if _, err := os.Stat(path); err == nil {
		return nil
	}
	part := fmt.Sprintf("%s.%d", path, os.Getpid())
	if err := build(part); err != nil {
		return err
	}
	return os.Rename(part, path)
}

func run(ctx context.Context, dir string, env []string, args ...string) error {
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w\n%s", strings.Join(args, " "), err, out)
	}
	return nil
}
