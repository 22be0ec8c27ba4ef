package access

import (
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func request(remote string, headers ...string) *http.Request {
	r := httptest.NewRequest("GET", "/", nil)
	r.RemoteAddr = remote
	for i := 0; i < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	return r
}

func TestOriginBehindProxies(t *testing.T) {
	p := proxies{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("2001:db8:1::/48")}
	const f = "X-Forwarded-For"
	for name, c := range map[string]struct {
		r       *http.Request
		addr    string
		proxied bool
	}{
		"direct":                 {request("192.0.2.1:1"), "192.0.2.1", false},
		"header of a stranger":   {request("192.0.2.1:1", f, "203.0.113.9"), "192.0.2.1", false},
		"one proxy":              {request("10.0.0.1:1", f, "203.0.113.9"), "203.0.113.9", true},
		"invented before":        {request("10.0.0.1:1", f, "127.0.0.1, 203.0.113.9"), "203.0.113.9", true},
		"two proxies":            {request("10.0.0.1:1", f, "198.51.100.1, 203.0.113.9, 10.0.0.2"), "203.0.113.9", true},
		"two lines":              {request("10.0.0.1:1", f, "203.0.113.9", f, "10.0.0.2"), "203.0.113.9", true},
		"no header":              {request("10.0.0.1:1"), "10.0.0.1", true},
		"all are proxies":        {request("10.0.0.1:1", f, "10.0.0.3, 10.0.0.2"), "10.0.0.3", true},
		"nonsense":               {request("10.0.0.1:1", f, "203.0.113.9, nonsense"), "10.0.0.1", true},
		"empty part":             {request("10.0.0.1:1", f, "203.0.113.9,"), "10.0.0.1", true},
		"with port":              {request("10.0.0.1:1", f, "203.0.113.9:4711"), "203.0.113.9", true},
		"IPv6 with port":         {request("[2001:db8:1::5]:1", f, "[2001:db8:2::7]:4711"), "2001:db8:2::7", true},
		"IPv6 in brackets":       {request("10.0.0.1:1", f, "[2001:db8:2::7]"), "2001:db8:2::7", true},
		"IPv4 written as IPv6":   {request("[::ffff:10.0.0.1]:1", f, "::ffff:203.0.113.9"), "203.0.113.9", true},
		"zone":                   {request("[fe80::1%eth0]:1"), "fe80::1", false},
		"socket without address": {request("@", f, "203.0.113.9"), "invalid IP", false},
	} {
		o := p.origin(c.r)
		if o.client.Addr.String() != c.addr || o.proxied != c.proxied {
			t.Errorf("%s: %s, proxied %v; want %s, %v", name, o.client.Addr, o.proxied, c.addr, c.proxied)
		}
	}
}

func TestForwardedProtoAndHost(t *testing.T) {
	p := proxies{netip.MustParsePrefix("10.0.0.0/8")}
	overTLS := request("192.0.2.1:1")
	overTLS.TLS = &tls.ConnectionState{}
	for name, c := range map[string]struct {
		r      *http.Request
		secure bool
		host   string
	}{
		"plain":              {request("192.0.2.1:1"), false, ""},
		"TLS":                {overTLS, true, ""},
		"stranger":           {request("192.0.2.1:1", "X-Forwarded-Proto", "https", "X-Forwarded-Host", "disc.example"), false, ""},
		"proxy":              {request("10.0.0.1:1", "X-Forwarded-Proto", "https", "X-Forwarded-Host", "disc.example:8443"), true, "disc.example:8443"},
		"invented before":    {request("10.0.0.1:1", "X-Forwarded-Proto", "https", "X-Forwarded-Proto", "http", "X-Forwarded-Host", "evil.example, disc.example"), false, "disc.example"},
		"unknown scheme":     {request("10.0.0.1:1", "X-Forwarded-Proto", "gopher", "X-Forwarded-Host", "a b"), false, ""},
		"host with a path":   {request("10.0.0.1:1", "X-Forwarded-Host", "disc.example/x"), false, ""},
		"long host":          {request("10.0.0.1:1", "X-Forwarded-Host", strings.Repeat("a", 256)), false, ""},
		"scheme in capitals": {request("10.0.0.1:1", "X-Forwarded-Proto", "HTTPS"), true, ""},
	} {
		o := p.origin(c.r)
		if o.client.Secure != c.secure || o.host != c.host {
			t.Errorf("%s: secure %v, host %q; want %v, %q", name, o.client.Secure, o.host, c.secure, c.host)
		}
	}
}

// Whatever a client writes into the header before the proxies add what they saw,
// its address comes out.
func TestClientCannotChooseItsAddress(t *testing.T) {
	p := proxies{netip.MustParsePrefix("10.0.0.0/8")}
	rapid.Check(t, func(t *rapid.T) {
		part := rapid.OneOf(rapid.StringMatching(`[ -~]{0,20}`), rapid.SampledFrom([]string{"10.0.0.1", "127.0.0.1", "::1", "unknown", ""}))
		forged := strings.Join(rapid.SliceOfN(part, 0, 4).Draw(t, "forged"), ",")
		hops := rapid.SliceOfN(rapid.SampledFrom([]string{"10.0.0.2", "10.9.9.9"}), 0, 3).Draw(t, "proxies")
		chain := append([]string{forged, "203.0.113.9"}, hops...)
		o := p.origin(request("10.0.0.1:1", "X-Forwarded-For", strings.Join(chain, ", ")))
		if o.client.Addr.String() != "203.0.113.9" {
			t.Fatalf("%q gave %s", chain, o.client.Addr)
		}
	})
}

func FuzzForwarded(f *testing.F) {
	p := proxies{netip.MustParsePrefix("10.0.0.0/8")}
	f.Add("203.0.113.9, 10.0.0.1", "https", "disc.example")
	f.Add("[::1]:1,,", "", "[::1]:80")
	f.Fuzz(func(t *testing.T, for_, proto, host string) {
		o := p.origin(request("10.0.0.1:1", "X-Forwarded-For", for_, "X-Forwarded-Proto", proto, "X-Forwarded-Host", host))
		if !o.client.Addr.IsValid() || o.client.Addr.Zone() != "" || o.client.Addr.Is4In6() {
			t.Fatalf("%q gave %s", for_, o.client.Addr)
		}
		if strings.ContainsAny(o.host, "/\\ \r\n,@\"<>") {
			t.Fatalf("host %q", o.host)
		}
		stranger := p.origin(request("192.0.2.1:1", "X-Forwarded-For", for_, "X-Forwarded-Proto", proto, "X-Forwarded-Host", host))
		if stranger.client.Addr.String() != "192.0.2.1" || stranger.client.Secure || stranger.host != "" {
			t.Fatalf("a stranger's headers are believed: %+v", stranger)
		}
	})
}

func TestAddressKey(t *testing.T) {
	for a, want := range map[string]string{
		"192.0.2.1": "192.0.2.1", "::ffff:192.0.2.1": "192.0.2.1", "2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64", "fe80::1%eth0": "fe80::/64",
	} {
		if got := addressKey(netip.MustParseAddr(a)); got != want {
			t.Errorf("%s: %s, want %s", a, got, want)
		}
	}
	if addressKey(netip.Addr{}) == "" {
		t.Error("no address, no limit")
	}
}
