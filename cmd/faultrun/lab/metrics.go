package lab

import (
	"bufio"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
)

// Samples are metrics by their name with labels, as the text form writes them.
type Samples map[string]float64

// Scrape reads the metrics of a worker.
func (w *Worker) Scrape() (Samples, error) { return w.l.scrape(w.Metrics + "/metrics") }

// Scrape reads the metrics of an API.
func (a *API) Scrape() (Samples, error) { return a.l.scrape(a.URL() + "/metrics") }

func (l *Lab) scrape(url string) (Samples, error) {
	r, err := l.http.Get(url)
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: %s", url, r.Status)
	}
	s := Samples{}
	lines := bufio.NewScanner(r.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		t := lines.Text()
		i := strings.LastIndexByte(t, ' ')
		if strings.HasPrefix(t, "#") || i < 0 {
			continue
		}
		v, err := strconv.ParseFloat(t[i+1:], 64)
		if err != nil {
			return nil, fmt.Errorf("%s: %q is no sample", url, t)
		}
		s[t[:i]] = v
	}
	return s, lines.Err()
}

// Sum adds the samples of a family whose labels hold what is asked for, written
// name="value".
func (s Samples) Sum(family string, labels ...string) float64 {
	sum := 0.0
next:
	for k, v := range s {
		name, rest, _ := strings.Cut(k, "{")
		if name != family {
			continue
		}
		for _, want := range labels {
			if !strings.Contains("{"+rest, want) {
				continue next
			}
		}
		sum += v
	}
	return sum
}

// Everywhere adds a family over all processes that run.
func (l *Lab) Everywhere(family string, labels ...string) (float64, error) {
	sum := 0.0
	var errs []error
	for _, a := range l.APIs {
		if a.P.Alive() {
			s, err := a.Scrape()
			errs = append(errs, err)
			sum += s.Sum(family, labels...)
		}
	}
	for _, w := range l.Living() {
		s, err := w.Scrape()
		errs = append(errs, err)
		sum += s.Sum(family, labels...)
	}
	return sum, errors.Join(errs...)
}
