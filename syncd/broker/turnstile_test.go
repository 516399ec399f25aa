package broker

import (
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"io"
	"math/big"
	"net"
	"sync"
	"testing"
	"time"
)

// door is a TLS server behind a turnstile, on TCP.
type door struct {
	t       *testing.T
	turn    *turnstile
	address string
}

// newDoor serves until the test ends. Each connection gets one byte once its handshake is done.
func newDoor(t *testing.T, turn *turnstile) *door {
	t.Helper()
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	cert := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(nil, cert, cert, public, private)
	if err != nil {
		t.Fatal(err)
	}
	secure := turn.guard(&tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: private}}})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, c)
			mu.Unlock()
			serving.Go(func() {
				defer c.Close()
				if s := tls.Server(c, secure); s.Handshake() == nil {
					s.Write([]byte{1})
				}
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range open {
			c.Close()
		}
		mu.Unlock()
		serving.Wait()
	})
	return &door{t, turn, l.Addr().String()}
}

// dial makes a connection that says nothing.
func (d *door) dial() net.Conn {
	d.t.Helper()
	c, err := net.Dial("tcp", d.address)
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { c.Close() })
	return c
}

// enter goes through the door; nil once the server has said so.
func (d *door) enter(c net.Conn) error {
	s := tls.Client(c, &tls.Config{InsecureSkipVerify: true})
	if err := s.Handshake(); err != nil {
		return err
	}
	_, err := io.ReadFull(s, make([]byte, 1))
	return err
}

// until waits for what must come to be.
func (d *door) until(what string, is func() bool) {
	d.t.Helper()
	for end := time.Now().Add(20 * time.Second); !is(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			d.t.Fatalf("not after 20 s: %s", what)
		}
	}
}

// hello is what a client says first.
func hello(t *testing.T) []byte {
	t.Helper()
	ours, theirs := net.Pipe()
	defer theirs.Close()
	said := make(chan []byte, 1)
	go func() {
		b := make([]byte, 4096)
		n, _ := theirs.Read(b)
		theirs.Close()
		said <- b[:n]
	}()
	if err := tls.Client(ours, &tls.Config{InsecureSkipVerify: true}).Handshake(); err == nil {
		t.Fatal("a handshake with nobody")
	}
	return <-said
}

// TestTurns holds the only turn: all others wait until it is given back, and then all get through.
func TestTurns(t *testing.T) {
	turn := newTurnstile(func() {})
	turn.turns = make(chan struct{}, 1)
	d := newDoor(t, turn)
	turn.turns <- struct{}{}
	const many = 20
	through := make(chan error, many)
	for range many {
		c := d.dial()
		go func() { through <- d.enter(c) }()
	}
	d.until("all wait for their turn", func() bool { return turn.waiting.Load() == many })
	select {
	case err := <-through:
		t.Fatalf("one got through without a turn: %v", err)
	default:
	}
	<-turn.turns
	for range many {
		if err := <-through; err != nil {
			t.Error(err)
		}
	}
	d.until("all turns are given back", func() bool { return len(turn.turns) == 0 && turn.waiting.Load() == 0 })
}

// TestSlowOnesHoldNobodyUp lets connections be slow in each part of a handshake, more of them than there are turns: the
// others get through meanwhile.
func TestSlowOnesHoldNobodyUp(t *testing.T) {
	whole := hello(t)
	for _, slow := range []struct {
		what string
		says []byte
	}{
		{"says nothing", nil},
		{"says half of its hello", whole[:len(whole)/2]},
		{"says its hello and nothing more", whole},
		{"says what is no hello", []byte("INFO {}\r\n")},
	} {
		t.Run(slow.what, func(t *testing.T) {
			turn := newTurnstile(func() {})
			turn.turns = make(chan struct{}, 2)
			d := newDoor(t, turn)
			for range 10 {
				if _, err := d.dial().Write(slow.says); err != nil {
					t.Fatal(err)
				}
			}
			for range 10 {
				if err := d.enter(d.dial()); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// TestCrowded cuts whom there is no room for, or who would wait for too long, and goes on as before afterwards.
func TestCrowded(t *testing.T) {
	for what, change := range map[string]func(*turnstile){
		"too many":        func(turn *turnstile) { turn.most = 1 },
		"for a long time": func(turn *turnstile) { turn.patience = time.Millisecond },
	} {
		t.Run(what, func(t *testing.T) {
			turn := newTurnstile(func() {})
			turn.turns = make(chan struct{}, 1)
			change(turn)
			d := newDoor(t, turn)
			turn.turns <- struct{}{}
			const many = 5
			through := make(chan error, many)
			for range many {
				c := d.dial()
				go func() { through <- d.enter(c) }()
			}
			for range many - 1 { // one may wait, where many are too many
				if err := <-through; err == nil {
					t.Error("one got through that there was no turn for")
				}
			}
			<-turn.turns
			last := <-through
			if turn.most == 1 && last != nil {
				t.Errorf("the one that waited: %v", last)
			}
			if err := d.enter(d.dial()); err != nil {
				t.Errorf("afterwards: %v", err)
			}
		})
	}
}
