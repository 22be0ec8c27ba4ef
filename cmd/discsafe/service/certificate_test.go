package service

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// makeCertificate writes a self-signed certificate with a serial number, which
// tells it from others.
func makeCertificate(t *testing.T, cert, key string, serial int64) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "discsafe test"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(
		os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600),
		os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: kder}), 0o600)); err != nil {
		t.Fatal(err)
	}
}

// A renewed certificate is served to the next connection; a broken one is not,
// and the former goes on.
func TestCertificateIsReadAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	o := own(t, filepath.Join(dir, "data"))
	o.Bind.CertFile, o.Bind.KeyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	makeCertificate(t, o.Bind.CertFile, o.Bind.KeyFile, 1)
	s, _ := run(t, o)
	serial := func() int64 {
		c, err := tls.Dial("tcp", s.listener.Addr().String(), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		return c.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	if n := serial(); n != 1 {
		t.Fatalf("serial number %d", n)
	}
	makeCertificate(t, o.Bind.CertFile, o.Bind.KeyFile, 2)
	eventually(t, "the new certificate is served", func() bool { return serial() == 2 })
	if err := os.WriteFile(o.Bind.CertFile, []byte("half a file"), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(lookEvery + 50*time.Millisecond)
	if n := serial(); n != 2 {
		t.Errorf("serial number %d after the file was spoiled", n)
	}
	makeCertificate(t, o.Bind.CertFile, o.Bind.KeyFile, 3)
	eventually(t, "the mended certificate is served", func() bool { return serial() == 3 })
}
