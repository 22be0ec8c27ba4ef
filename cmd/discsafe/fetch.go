package main

import (
	"context"
	"fmt"

	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// fetch brings the files of a job into out, whole or not at all. Out is looked at
// once more, since the job took its time.
func (a *app) fetch(ctx context.Context, cl *client.Client, job *v1.Job, out string) error {
	analysis := job.Predicted()
	if err := checkResultFolder(out, analysis); err != nil {
		return err
	}
	return putFolder(out, analysis, func(work string) error { return cl.DownloadAll(ctx, job, work) })
}

// checkResultFolder refuses a folder that holds anything but a former result,
// since all of it will be replaced, and for an analysis or an arrangement one
// that holds a prepared side.
func checkResultFolder(dir string, analysis bool) error {
	if err := checkOut(dir, report.ManifestName); err != nil {
		return err
	}
	file, err := checkFolder(dir, analysis)
	if file != "" {
		return &inputError{fmt.Errorf("--out %s holds %s, which is not of a former result; name a new folder", dir, file)}
	}
	return err
}
