package hook

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// inside are addresses that lead, or may lead, elsewhere than to a host of the
// public network: the special-purpose registries of IANA (RFC 6890), and
// addresses that carry another one in them.
var inside = prefixes(
	"0.0.0.0/8",       // this network
	"10.0.0.0/8",      // private (RFC 1918)
	"100.64.0.0/10",   // shared, carrier-grade NAT (RFC 6598)
	"127.0.0.0/8",     // loopback
	"169.254.0.0/16",  // link-local; metadata of clouds
	"172.16.0.0/12",   // private
	"192.0.0.0/24",    // protocol assignments
	"192.0.2.0/24",    // documentation
	"192.88.99.0/24",  // 6to4 relay
	"192.168.0.0/16",  // private
	"198.18.0.0/15",   // benchmarks
	"198.51.100.0/24", // documentation
	"203.0.113.0/24",  // documentation
	"224.0.0.0/4",     // multicast
	"240.0.0.0/4",     // reserved, and broadcast
	"2001::/23",       // protocol assignments, Teredo
	"2001:db8::/32",   // documentation
	"2002::/16",       // 6to4: carries an IPv4 address
	"3fff::/20",       // documentation
)

// global is all of IPv6 that is given out as public; loopback, mapped and
// compatible IPv4, NAT64, unique local, link- and site-local, multicast and
// segment routing lie outside.
var global = netip.MustParsePrefix("2000::/3")

func prefixes(s ...string) []netip.Prefix {
	p := make([]netip.Prefix, len(s))
	for i := range s {
		p[i] = netip.MustParsePrefix(s[i])
	}
	return p
}

// public reports whether an address is a host's of the public network.
func public(a netip.Addr) bool {
	if !a.IsValid() || a.Zone() != "" || a.Is4In6() || a.Is6() && !global.Contains(a) {
		return false
	}
	for _, p := range inside {
		if p.Contains(a) {
			return false
		}
	}
	return true
}

// errInside means that a name stands for no public address. It does not say
// which: that would tell strangers about the inside.
var errInside = errors.New("the host stands for no public address")

// Resolver is what hooks need of net.Resolver.
type Resolver interface {
	LookupNetIP(ctx context.Context, network, host string) ([]netip.Addr, error)
}

// dialer connects to public addresses only.
type dialer struct {
	resolver     Resolver
	allowPrivate bool
}

// addresses are those of a host that may be connected to.
func (d *dialer) addresses(ctx context.Context, host string) ([]netip.Addr, error) {
	all := []netip.Addr{}
	if a, err := netip.ParseAddr(host); err == nil {
		all = append(all, a)
	} else if all, err = d.resolver.LookupNetIP(ctx, "ip", host); err != nil {
		return nil, err
	}
	var good []netip.Addr
	for _, a := range all {
		// Resolvers give IPv4 in either form; what is mapped in the name itself is refused by target.
		if a = a.Unmap(); d.allowPrivate || public(a) {
			good = append(good, a)
		}
	}
	if len(good) == 0 {
		return nil, errInside
	}
	return good, nil
}

// mostAddresses is how many addresses of a host are tried.
const mostAddresses = 4

// dial connects to host:port. The name is resolved here and the very address
// connected to is the one judged, so a name that changes between two questions
// gains nothing.
func (d *dialer) dial(ctx context.Context, network, address string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	all, err := d.addresses(ctx, host)
	if err != nil {
		return nil, err
	}
	plain := net.Dialer{Timeout: 5 * time.Second}
	var errs []error
	for _, a := range all[:min(len(all), mostAddresses)] {
		c, err := plain.DialContext(ctx, network, net.JoinHostPort(a.String(), port))
		if err == nil {
			return c, nil
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

// target reads an address to be told. Errors are for people and name no part of
// the address but its host.
func (h *Hooks) target(raw string) (*url.URL, error) {
	if len(raw) > 2048 {
		return nil, errors.New("the address has more than 2048 bytes")
	}
	u, err := url.Parse(raw)
	if err != nil {
		return nil, errors.New("the address is no URL") // the cause would show it
	}
	switch {
	case u.Scheme != "https" && !(h.o.AllowHTTP && u.Scheme == "http"):
		if h.o.AllowHTTP {
			return nil, errors.New("the address must begin with https:// or http://")
		}
		return nil, errors.New("the address must begin with https://")
	case u.User != nil:
		return nil, errors.New("the address holds a name or password; the signature is what proves the sender")
	case u.Opaque != "" || u.Hostname() == "":
		return nil, errors.New("the address has no host")
	case u.Fragment != "":
		return nil, errors.New("the address has a fragment (#), which cannot be sent")
	}
	for _, c := range u.Hostname() {
		if c <= ' ' || c > '~' {
			return nil, errors.New("the host has other letters than ASCII; write it in its xn-- form")
		}
	}
	if err := h.port(u); err != nil {
		return nil, err
	}
	if a, err := netip.ParseAddr(u.Hostname()); err == nil && !h.o.AllowPrivate && !public(a) {
		return nil, errInside
	}
	return u, nil
}

// port holds the policy: the scheme's own, or one that needs no privilege, so
// that no mail or name server is spoken to.
func (h *Hooks) port(u *url.URL) error {
	s := u.Port()
	if s == "" && !strings.HasSuffix(u.Host, ":") {
		return nil
	}
	n, err := strconv.ParseUint(s, 10, 16)
	if err != nil || n < 1024 && !(n == 443 && u.Scheme == "https" || n == 80 && u.Scheme == "http") {
		return fmt.Errorf("port %.8q is not allowed; use the usual one, or one from 1024 to 65535", s)
	}
	return nil
}
