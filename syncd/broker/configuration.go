package broker

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/template"

	"ullage/syncd/trust"
)

// ErrServer is in the errors about a server that no configuration can be written for.
var ErrServer = errors.New("not a server of a cluster")

// Ports of a server, where none is given.
const (
	DefaultPort      = 4222
	DefaultRoutePort = 6222
)

// Server is one server of a cluster, as it is to be set up.
type Server struct {
	Name   string
	Host   string // by which clients and the other servers reach it, a DNS name or an IP address
	Port   int    // for clients
	Routes int    // for the other servers
}

// Address is where clients reach it.
func (s Server) Address() string { return "tls://" + net.JoinHostPort(s.Host, strconv.Itoa(s.Port)) }

// Route is where the other servers reach it.
func (s Server) Route() string { return "tls://" + net.JoinHostPort(s.Host, strconv.Itoa(s.Routes)) }

// On is where it listens: on its address, or where it has a name, everywhere.
func (s Server) On() string {
	if _, err := netip.ParseAddr(s.Host); err != nil {
		return "0.0.0.0"
	}
	return s.Host
}

var (
	serverName = regexp.MustCompile(`^[a-zA-Z0-9][a-zA-Z0-9-]{0,31}$`)
	serverHost = regexp.MustCompile(`^[a-zA-Z0-9]([a-zA-Z0-9.-]{0,251}[a-zA-Z0-9])?$`)
)

// ParseServer reads NAME=HOST, NAME=HOST:PORT or NAME=HOST:PORT:ROUTES, with an IPv6 address in brackets. Its error wraps ErrServer.
func ParseServer(text string) (Server, error) {
	wrong := fmt.Errorf("%w: %.300q; NAME=HOST or NAME=HOST:PORT:ROUTEPORT is one, such as a=192.0.2.1 or a=192.0.2.1:4222:6222", ErrServer, text)
	name, at, ok := strings.Cut(text, "=")
	s := Server{Name: name, Port: DefaultPort, Routes: DefaultRoutePort}
	if !ok || !serverName.MatchString(name) {
		return Server{}, wrong
	}
	ports := ""
	if inner, rest, ok := strings.Cut(strings.TrimPrefix(at, "["), "]"); ok && at != "" && at[0] == '[' {
		s.Host, ports = inner, strings.TrimPrefix(rest, ":")
	} else {
		s.Host, ports, _ = strings.Cut(at, ":")
	}
	if _, err := netip.ParseAddr(s.Host); err != nil && !serverHost.MatchString(s.Host) {
		return Server{}, wrong
	}
	if ports == "" {
		return s, nil
	}
	for i, p := range strings.Split(ports, ":") {
		n, err := strconv.ParseUint(p, 10, 16)
		if err != nil || n == 0 || i > 1 {
			return Server{}, wrong
		}
		*[]*int{&s.Port, &s.Routes}[i] = int(n)
	}
	return s, nil
}

// CheckCluster refuses servers that make no cluster. Its error wraps ErrServer.
func CheckCluster(servers []Server) error {
	if len(servers) < Replicas || len(servers)%2 == 0 {
		return fmt.Errorf("%w: %d of them; %d or a greater odd number make a cluster, which then goes on while the greater part of them is there", ErrServer, len(servers), Replicas)
	}
	names, ports := map[string]bool{}, map[string]bool{}
	for _, s := range servers {
		for _, at := range []string{s.Address(), s.Route()} {
			if ports[at] {
				return fmt.Errorf("%w: two have %s", ErrServer, strings.TrimPrefix(at, "tls://"))
			}
			ports[at] = true
		}
		if name := strings.ToLower(s.Name); names[name] {
			return fmt.Errorf("%w: two have the name %s", ErrServer, s.Name)
		} else {
			names[name] = true
		}
	}
	return nil
}

// File is a file of a server's folder.
type File struct {
	Name string
	Data []byte
}

var configuration = template.Must(template.New("").Parse(`# Message server {{.Server.Name}} of the cluster in which a centre of Ullage keeps its records.
# Start it in this folder:  nats-server -c nats.conf
# server.key is a secret. What belongs to this machine (addresses, folders) can be changed here; what is marked must stay.

server_name: "{{.Server.Name}}"
listen: "{{.On}}:{{.Server.Port}}"

# Devices know these certificates by the centre's authority, and speak TLS from the first byte on. Must stay.
tls {
  cert_file: "server.pem"
  key_file: "server.key"
  ca_file: "ca.pem"
  min_version: "1.3"
  timeout: 10
  handshake_first: true
}

# What the centre sends has to fit. Must stay.
max_payload: {{.MaxPayload}}
max_control_line: 4096
max_pending: 67108864
write_deadline: "10s"

jetstream {
  store_dir: "streams"
  # What is confirmed is on the disk. Without this line the centre refuses to serve. Must stay.
  sync_interval: always
}

# The other servers. Only servers with certificates of the centre's authority get in. Must stay, but for the addresses.
cluster {
  name: "ullage"
  listen: "{{.On}}:{{.Server.Routes}}"
  routes: [
{{- range .Others}}
    "{{.Route}}" # {{.Name}}
{{- end}}
  ]
  tls {
    cert_file: "server.pem"
    key_file: "server.key"
    ca_file: "ca.pem"
    min_version: "1.3"
    timeout: 10
    verify: true
  }
}

# Who may come in. The centre hands over changes of the accounts, which are kept in the folder accounts. Must stay.
operator: "operator.jwt"
system_account: "{{.System}}"
resolver {
  type: full
  dir: "accounts"
  allow_delete: false
  interval: "15s"
}
resolver_preload {
{{- range .Accounts}}
  # {{.Name}}
  {{.Key}}: "{{.Token}}"
{{- end}}
}
`))

// Configuration are the files of each server of a cluster, by server. They hold as long as the centre's authority does.
func Configuration(t *trust.Trust, servers []Server) (map[string][]File, error) {
	if err := CheckCluster(servers); err != nil {
		return nil, err
	}
	type account struct{ Name, Key, Token string }
	var accounts []account
	for i, name := range []string{"SYS: the servers' own", "CENTRE: the streams", "DEVICES: devices and the gate", "FEED: what integrators read"} {
		key := t.Accounts()[i]
		token, err := t.AccountResolver().Fetch(key)
		if err != nil {
			return nil, fmt.Errorf("account %s: %w", name, err)
		}
		accounts = append(accounts, account{name, key, token})
	}
	all := map[string][]File{}
	for _, s := range servers {
		on := s.On()
		if strings.Contains(on, ":") {
			on = "[" + on + "]"
		}
		var b bytes.Buffer
		if err := configuration.Execute(&b, map[string]any{
			"Server": s, "On": on, "Others": slices.DeleteFunc(slices.Clone(servers), func(o Server) bool { return o == s }),
			"MaxPayload": MaxPayload, "System": t.SystemAccount(), "Accounts": accounts,
		}); err != nil {
			return nil, err
		}
		cert, key, anchor, err := t.ServerCertificate(s.Name, []string{s.Host})
		if err != nil {
			return nil, err
		}
		all[s.Name] = []File{
			{"nats.conf", b.Bytes()}, {"server.pem", cert}, {"server.key", key}, {"ca.pem", anchor},
			{"operator.jwt", []byte(t.OperatorToken() + "\n")},
		}
	}
	return all, nil
}
