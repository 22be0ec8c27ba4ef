//go:build s3server

package s3_test

import (
	"context"
	"crypto/rand"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/config"
	sdk "github.com/aws/aws-sdk-go-v2/service/s3"

	"discsafe/worker/store"
	"discsafe/worker/store/s3"
	"discsafe/worker/store/storetest"
)

// The suite against a real server: endpoint and bucket, which must exist, come
// from DISCSAFE_S3_ENDPOINT and DISCSAFE_S3_BUCKET, keys from the usual places
// of the environment. DISCSAFE_S3_KEYS_COLLIDE=1 says that the server keeps
// objects as files, so that a key cannot be the folder of another.
func TestSuiteOnServer(t *testing.T) {
	endpoint, bucket := os.Getenv("DISCSAFE_S3_ENDPOINT"), os.Getenv("DISCSAFE_S3_BUCKET")
	if endpoint == "" || bucket == "" {
		t.Fatal("DISCSAFE_S3_ENDPOINT and DISCSAFE_S3_BUCKET must name a server and a bucket")
	}
	cfg, err := config.LoadDefaultConfig(t.Context(), config.WithDefaultRegion("us-east-1"))
	if err != nil {
		t.Fatal(err)
	}
	client := sdk.NewFromConfig(cfg, func(o *sdk.Options) { o.UsePathStyle, o.BaseEndpoint = true, aws.String(endpoint) })
	storetest.Run(t, func(t *testing.T) storetest.Subject {
		tr := newTripper(t)
		opt := s3.Options{
			Bucket: bucket, Endpoint: endpoint, PathStyle: true, HTTPClient: tr, MaxAttempts: 5, MaxBackoff: time.Millisecond, PartBytes: part,
			Prefix: "suite/" + strings.ToLower(rand.Text()) + "/",
			Now:    func() time.Time { return time.Now().Add(48 * time.Hour) },
		}
		return storetest.Subject{
			Store:       open(t, opt),
			Another:     func() store.Store { return open(t, opt) },
			SetFault:    func(f store.Fault) { tr.fault.Store(&f) },
			Leftovers:   func() int { return uploadsBelow(t, client, bucket, opt.Prefix) },
			PutBytes:    5 * part,
			PartBytes:   part,
			KeysCollide: os.Getenv("DISCSAFE_S3_KEYS_COLLIDE") == "1",
		}
	})
}

// uploadsBelow counts the multipart uploads that are open below prefix.
func uploadsBelow(t *testing.T, client *sdk.Client, bucket, prefix string) int {
	n := 0
	pages := sdk.NewListMultipartUploadsPaginator(client, &sdk.ListMultipartUploadsInput{Bucket: &bucket})
	for pages.HasMorePages() {
		page, err := pages.NextPage(context.WithoutCancel(t.Context()))
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range page.Uploads {
			if strings.HasPrefix(aws.ToString(u.Key), prefix) {
				n++
			}
		}
	}
	return n
}
