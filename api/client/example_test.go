package client_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"

	"discsafe/api/client"
	"discsafe/api/v1"
)

// From a side plan to a verdict and the files. Names are the files that the
// plan names.
func Example() {
	server, plan, out := standIn()
	ctx := context.Background()
	c, err := client.New(client.Options{Server: server, Token: os.Getenv("DISCSAFE_TOKEN")})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer c.Close()
	job, _, err := c.SubmitPlan(ctx, client.SidePlan{Path: plan, Names: []string{"one.wav"}})
	if err == nil {
		err = c.Watch(ctx, job.ID, func(j v1.Job) error { *job = j; fmt.Println(j.State); return nil })
	}
	if err == nil {
		err = c.DownloadAll(ctx, job, out)
	}
	report, _ := os.ReadFile(filepath.Join(out, "report.json"))
	fmt.Println(job.Verdict, string(report), err)
	cleanUp()
	// Output:
	// accepted
	// running
	// done
	// ready {} <nil>
}

var cleanUp func()

// standIn is a service that knows the mix already and does one job.
func standIn() (server, plan, out string) {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		panic(err)
	}
	for name, text := range map[string]string{"side.yaml": "side: A\n", "one.wav": "sound"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			panic(err)
		}
	}
	say := func(typ, format string, args ...any) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", typ)
			fmt.Fprintf(w, format, args...)
		}
	}
	const empty = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a" // SHA-256 of {}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/mixes/{sha}", func(w http.ResponseWriter, r *http.Request) {
		say("application/json", `{"sha256":%q}`, r.PathValue("sha"))(w, r)
	})
	mux.HandleFunc("POST /v1/jobs", say("application/json", `{"id":"j1","state":"accepted","rev":1}`))
	mux.HandleFunc("GET /v1/jobs/j1/events", say("text/event-stream",
		"data: {\"id\":\"j1\",\"state\":\"accepted\",\"rev\":1}\n\ndata: {\"id\":\"j1\",\"state\":\"running\",\"rev\":2}\n\n"+
			"data: {\"id\":\"j1\",\"state\":\"done\",\"rev\":3,\"verdict\":\"ready\",\"files\":[{\"name\":\"report.json\",\"bytes\":2,\"sha256\":%q}]}\n\n", empty))
	mux.HandleFunc("GET /v1/jobs/j1/files/report.json", say("application/json", "{}"))
	srv := httptest.NewServer(mux)
	cleanUp = func() { srv.Close(); _ = os.RemoveAll(dir) }
	return srv.URL, filepath.Join(dir, "side.yaml"), filepath.Join(dir, "out")
}
