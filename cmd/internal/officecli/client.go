package officecli

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"ullage/cmd/internal/command"
)

// client speaks to one centre.
type client struct {
	dir, centre, tokenFile, ca string

	stderr  io.Writer
	alarmed bool // it was said already that alarms are open at the centre
}

// place is where a centre is, and what it takes us by.
type place struct {
	base, token string
	dir         string         // of a centre on this machine
	trusted     *x509.CertPool // whom to believe that it is the centre; nil: whom this machine believes
}

// find finds the centre and the token. A centre that is named by its address goes before a folder, which may have come
// from the environment.
func (c *client) find() (place, error) {
	if c.centre == "" {
		return c.local()
	}
	if c.tokenFile == "" {
		return place{}, command.Wrong("--centre needs --token-file F, the file with the token of that centre")
	}
	u, err := url.Parse(c.centre)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return place{}, command.Wrong("--centre %q is no address of a centre; one looks like http://127.0.0.1:8080", c.centre)
	}
	if u.Scheme == "http" && !loopback(u.Hostname()) {
		return place{}, command.Wrong("--centre %s: the token would go over the network for all to read; http is for this machine only (127.0.0.1)", c.centre)
	}
	at := place{base: strings.TrimSuffix(c.centre, "/")}
	if c.ca != "" {
		if at.trusted, err = readCA(c.ca); err != nil {
			return place{}, err
		}
	}
	at.token, err = readToken(c.tokenFile)
	return at, err
}

// readCA reads the certificate that a centre's own lead to.
func readCA(path string) (*x509.CertPool, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("ca: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, fmt.Errorf("ca: %s holds no certificate in PEM; the file ca.pem of the centre's folder does", path)
	}
	return pool, nil
}

// local finds a centre on this machine by its folder.
func (c *client) local() (place, error) {
	if c.dir == "" {
		return place{}, command.Wrong("name the centre: --dir D for one on this machine, or --centre URL with --token-file F")
	}
	path := filepath.Join(c.dir, "centre.json")
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return place{}, noCentre(c.dir)
	}
	if err != nil {
		return place{}, err
	}
	var a struct {
		Office string `json:"office"`
	}
	if err := json.Unmarshal(b, &a); err != nil || a.Office == "" {
		return place{}, fmt.Errorf("%s does not hold the addresses of a centre", path)
	}
	at := place{base: a.Office, dir: c.dir}
	if strings.HasPrefix(a.Office, "https:") {
		if at.trusted, err = readCA(filepath.Join(c.dir, "ca.pem")); err != nil {
			return place{}, err
		}
	}
	at.token, err = readToken(filepath.Join(c.dir, "token"))
	return at, err
}

func noCentre(dir string) error {
	return fmt.Errorf("no centre runs in %s; start it with: ullage-syncd serve --dir %s", dir, dir)
}

func readToken(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("token: %w", err)
	}
	token := strings.TrimSpace(string(b))
	if token == "" || strings.ContainsAny(token, "\r\n") {
		return "", fmt.Errorf("token: %s does not hold one line with a token", path)
	}
	return token, nil
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// direct brings the token to the centre and nowhere else: through no proxy, and along no redirection.
func (p place) direct() *http.Client {
	return &http.Client{
		Transport: &http.Transport{
			DisableKeepAlives: true, DialContext: (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
			TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: p.trusted},
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// refusal is what a centre says where it does not do what it was asked.
type refusal struct {
	Words string            `json:"error"`
	Kept  []json.RawMessage `json:"kept"` // answers to what is kept and not received yet
}

func (r *refusal) Error() string { return r.Words }

// do asks and returns the body of a good answer; anything else is an error, a *refusal in the centre's words.
func (c *client) do(ctx context.Context, method, path string, query url.Values, body []byte) (io.ReadCloser, error) {
	at, err := c.find()
	if err != nil {
		return nil, err
	}
	target := at.base + path
	if len(query) > 0 {
		target += "?" + query.Encode()
	}
	r, err := http.NewRequestWithContext(ctx, method, target, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Authorization", "Bearer "+at.token)
	answer, err := at.direct().Do(r)
	var stranger *tls.CertificateVerificationError
	switch {
	case err == nil:
	case errors.Is(err, syscall.ECONNREFUSED) && at.dir != "":
		return nil, fmt.Errorf("%w (the last one there ended without a word, and left %s)", noCentre(at.dir), filepath.Join(at.dir, "centre.json"))
	case errors.As(err, &stranger):
		return nil, fmt.Errorf("%s does not show a certificate that is trusted here; nothing was sent. --ca names the file to trust, ca.pem of the centre's folder: %w", at.base, err)
	default:
		return nil, fmt.Errorf("the centre at %s does not answer: %w", at.base, err)
	}
	if open := answer.Header.Get("Ullage-Alarms"); open != "" && !c.alarmed && path != "/api/alarms" {
		fmt.Fprintf(c.stderr, "ALARM: %s open at the centre; see: ullage alarms\n", plain(open))
		c.alarmed = true
	}
	if answer.StatusCode == http.StatusOK {
		return answer.Body, nil
	}
	defer answer.Body.Close()
	said := &refusal{}
	if err := json.NewDecoder(io.LimitReader(answer.Body, 64<<20)).Decode(said); err != nil || said.Words == "" {
		return nil, fmt.Errorf("%s answers %s, which no centre would", at.base, answer.Status)
	}
	return nil, said
}

// ask is do for an answer of JSON.
func (c *client) ask(ctx context.Context, method, path string, query url.Values, body []byte) ([]byte, error) {
	answer, err := c.do(ctx, method, path, query, body)
	if err != nil {
		return nil, err
	}
	defer answer.Close()
	b, err := io.ReadAll(answer)
	if err != nil {
		return nil, fmt.Errorf("the centre's answer broke off: %w", err)
	}
	return b, nil
}
