package wire_test

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"

	"ullage/events/wire"
)

const goldenCode = "U1-AAAQEAYEAUDAOCAJBIFQYDIOB4-CAIREEYUCULBOGAZDINRYHI6D4QCCIRDEQSSMJZIFEVCWLBNFYXQ-aHR0cHM6Ly8xMjcuMC4wLjE6NDAwMA"

func checkCode(t *testing.T, s string) {
	t.Helper()
	c, err := wire.ParseCode(s)
	if err != nil {
		if !errors.Is(err, wire.ErrCode) || c != (wire.Code{}) {
			t.Fatalf("%q: %v, %v", s, c, err)
		}
		return
	}
	if c.String() != strings.TrimSpace(s) {
		t.Fatalf("%q is read, and written as %q", s, c)
	}
}

func TestCode(t *testing.T) {
	c := wire.Code{Address: "https://127.0.0.1:4000"}
	for i := range c.Secret {
		c.Secret[i] = byte(i)
	}
	for i := range c.Pin {
		c.Pin[i] = byte(len(c.Secret) + i)
	}
	if got := c.String(); got != goldenCode {
		t.Errorf("got %s, want %s", got, goldenCode)
	}
	for _, s := range []string{goldenCode, " " + goldenCode + "\r\n"} {
		if got, err := wire.ParseCode(s); err != nil || got != c {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	secret, pin, address := goldenCode[3:29], goldenCode[30:82], goldenCode[83:]
	both := secret + "-" + pin
	for _, s := range []string{
		"", "U1", "U1--", "U1---", "U1-" + secret, "U1-" + both, "U1-" + both + "-", "U2-" + both + "-" + address, "u1-" + both + "-" + address,
		"U1-" + secret + "-" + address,                                       // without the pin
		"U1-" + strings.ToLower(secret) + "-" + pin + "-" + address,          // base32 has capitals
		"U1-" + secret + "-" + strings.ToLower(pin) + "-" + address,          // the same of the pin
		"U1-" + secret[:25] + "5-" + pin + "-" + address,                     // bits that are left over
		"U1-" + secret + "-" + pin[:51] + "B-" + address,                     // the same of the pin
		"U1-" + secret[:25] + "-" + pin + "-" + address,                      // too short
		"U1-" + secret + "-" + pin[:51] + "-" + address,                      // the same of the pin
		"U1-" + secret + "AA-" + pin + "-" + address,                         // too long
		"U1-" + secret + "-" + pin + "AA-" + address,                         // the same of the pin
		"U1-" + secret[:13] + "\n" + secret[13:] + "-" + pin + "-" + address, // a line break
		"U1-" + both + "-" + address[:9] + "\r\n" + address[9:],              // another
		"U1-" + both + "-" + address + "=",
		"U1-" + both + "-" + address + "!",
		"U1-" + both + "-_w", // no UTF-8
		"U1-" + both + "-" + strings.Repeat("QUFB", 1100),
	} {
		if got, err := wire.ParseCode(s); !errors.Is(err, wire.ErrCode) {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	for i := range len(goldenCode) {
		checkCode(t, goldenCode[:i])
		for _, x := range []byte("\x00\n -_=7Zz~\xff") {
			checkCode(t, goldenCode[:i]+string([]byte{x})+goldenCode[i+1:])
			checkCode(t, goldenCode[:i]+string([]byte{x})+goldenCode[i:])
		}
	}
}

// TestEnrolJSON holds the names and the forms of both sides.
func TestEnrolJSON(t *testing.T) {
	for want, v := range map[string]any{
		`{"secret":"AAECAwQFBgcICQoLDA0ODw==","seal_key":"Aw==","conn_key":"UABC","software":"0.1.0"}`: wire.EnrolRequest{
			Secret: []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}, SealKey: []byte{3}, ConnKey: "UABC", Software: "0.1.0"},
		`{"device":"tab-1","nats":"tls://127.0.0.1:4222","jwt":"a.b.c","gates":[{"gate":"gate-1","key":"Aw=="}],"log":"BA=="}`: wire.EnrolAnswer{
			Device: "tab-1", NATS: "tls://127.0.0.1:4222", JWT: "a.b.c", Gates: []wire.EnrolGate{{Gate: "gate-1", Key: []byte{3}}}, Log: []byte{4}},
		`{"error":"why"}`: wire.EnrolRefusal{Error: "why"},
	} {
		if got, err := json.Marshal(v); err != nil || string(got) != want {
			t.Errorf("got %s, %v; want %s", got, err, want)
		}
	}
}

// TestFormatText holds the examples of FORMAT.md.
func TestFormatText(t *testing.T) {
	b, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, want := range []string{"    " + goldenCode + "\n", receiptBytes()} {
		if !strings.Contains(text, want) {
			t.Errorf("FORMAT.md does not have\n%s", want)
		}
	}
}
