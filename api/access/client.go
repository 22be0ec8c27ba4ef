package access

import (
	"context"
	"net/http"
	"net/netip"
	"strings"
)

// Client is who is at the other end of the line, seen past trusted proxies.
type Client struct {
	Addr   netip.Addr // not valid if it cannot be told
	Secure bool       // the client speaks TLS, to us or to the proxy
}

func (c Client) key() string { return addressKey(c.Addr) }

// ClientFrom returns what Gate.Wrap found out about the other end.
func ClientFrom(ctx context.Context) Client {
	if st := stateFrom(ctx); st != nil {
		return st.client
	}
	return Client{}
}

// proxies are the networks whose forwarding headers are believed.
type proxies []netip.Prefix

func (p proxies) trust(a netip.Addr) bool {
	a = a.Unmap().WithZone("")
	for _, n := range p {
		if n.Contains(a) {
			return true
		}
	}
	return false
}

// origin is what a request says about where it came from.
type origin struct {
	client  Client
	proxied bool   // a trusted proxy handed it on
	host    string // by which name the client called; "" if not told
}

// origin reads the forwarding headers of a request, if a trusted proxy sent it.
// Of X-Forwarded-For the last address that is not a trusted proxy's counts:
// everything before it may be invented. Of -Proto and -Host the last value
// counts, for the same reason.
func (p proxies) origin(r *http.Request) origin {
	o := origin{client: Client{Secure: r.TLS != nil}}
	peer, ok := peerAddr(r.RemoteAddr)
	if !ok {
		return o
	}
	o.client.Addr = peer
	if !p.trust(peer) {
		return o
	}
	o.proxied = true
	hops := headerList(r.Header, "X-Forwarded-For")
	for i := len(hops) - 1; i >= 0 && p.trust(o.client.Addr); i-- {
		a, ok := hopAddr(hops[i])
		if !ok {
			break // the proxy says it does not know: it is the last we know
		}
		o.client.Addr = a
	}
	switch strings.ToLower(last(headerList(r.Header, "X-Forwarded-Proto"))) {
	case "https":
		o.client.Secure = true
	case "http":
		o.client.Secure = false
	}
	if h := last(headerList(r.Header, "X-Forwarded-Host")); hostForm(h) {
		o.host = h
	}
	return o
}

// headerList returns the parts of a header that is a list, also one sent in
// several lines.
func headerList(h http.Header, name string) []string {
	var parts []string
	for _, v := range h.Values(name) {
		for part := range strings.SplitSeq(v, ",") {
			parts = append(parts, strings.TrimSpace(part))
		}
	}
	return parts
}

func last(parts []string) string {
	if len(parts) == 0 {
		return ""
	}
	return parts[len(parts)-1]
}

func peerAddr(remote string) (netip.Addr, bool) {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Addr{}, false
	}
	return ap.Addr().Unmap().WithZone(""), true
}

// hopAddr reads one part of X-Forwarded-For: an address, perhaps in brackets,
// perhaps with a port.
func hopAddr(s string) (netip.Addr, bool) {
	if a, ok := peerAddr(s); ok {
		return a, true
	}
	s = strings.TrimSuffix(strings.TrimPrefix(s, "["), "]")
	a, err := netip.ParseAddr(s)
	if err != nil {
		return netip.Addr{}, false
	}
	return a.Unmap().WithZone(""), true
}

// forwarded says whether some proxy handed the request on.
func forwarded(h http.Header) bool {
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-Ip", "Via"} {
		if len(h.Values(name)) > 0 {
			return true
		}
	}
	return false
}

// hostForm says whether s may stand as a host, with or without port.
func hostForm(s string) bool {
	if s == "" || len(s) > 255 {
		return false
	}
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', strings.IndexByte(".-_:[]", c) >= 0:
		default:
			return false
		}
	}
	return true
}

// loopbackHost says whether the name in a Host header can only mean this
// machine. A page of another site that makes its own name resolve to 127.0.0.1
// (DNS rebinding) still sends its own name.
func loopbackHost(host string) bool {
	name := host
	if ap, err := netip.ParseAddrPort(host); err == nil {
		return ap.Addr().Unmap().IsLoopback()
	}
	if i := strings.LastIndexByte(name, ':'); i >= 0 && strings.Count(name, ":") == 1 {
		name = name[:i]
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Unmap().IsLoopback()
	}
	return strings.EqualFold(strings.TrimSuffix(name, "."), "localhost")
}
