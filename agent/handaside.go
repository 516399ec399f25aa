package agent

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"

	"ullage/events/wire"
)

// A revoked device cannot connect any more. What it holds that the centre has not received it hands over where devices
// are enrolled; the office decides what becomes of it. The device gets no receipt, keeps all of it, and goes on
// recording: whether it was revoked in error is not its to know.

// handOver hands over what the device still holds, and tells in the Stop's words how far it came.
func (d *Device) handOver(ctx context.Context, stop *Stop) *Stop {
	records, err := d.handAside(ctx)
	text := stop.Text
	switch {
	case errors.Is(err, errNotTaken):
		text = fmt.Sprintf("%s. %s, the centre does not take what comes behind, and is asked again; keep this folder and tell the office", text, handed(records))
	case err != nil:
		d.cfg.Log.Warn("what this device holds could not be handed over yet", "error", err)
		text = fmt.Sprintf("%s. %s; the rest could not be handed over yet and is tried again", text, handed(records))
	case records > 0:
		text = fmt.Sprintf("revoked; %s, the office decides", handed(records))
	}
	return &Stop{stop.Kind, text}
}

func handed(records uint64) string { return fmt.Sprintf("%d records handed over", records) }

// errNotTaken is for what the centre does not take. It is asked again after a while all the same: an office may change its
// mind, and the device would not hear of it.
var errNotTaken = errors.New("the centre did not take what was handed over")

// handAside hands over, and returns how many records are there that the centre has and gave no receipt for.
func (d *Device) handAside(ctx context.Context) (uint64, error) {
	received, err := d.received()
	if err != nil {
		return 0, err
	}
	at := max(received, d.memory.get().Handed)
	for {
		p, err := d.packUpTo(at, wire.MaxRecords, wire.MaxFrame, nil)
		if err != nil || p == nil {
			return uint64(at - received), err
		}
		if err := d.giveAside(ctx, p); err != nil {
			return uint64(at - received), err
		}
		at = p.last
		if err := d.memory.change(func(r *remembered) { r.Handed = at }); err != nil {
			return uint64(at - received), err
		}
		d.loop.progressed()
	}
}

// giveAside hands over one push.
func (d *Device) giveAside(ctx context.Context, p *prepared) error {
	address, err := d.id.asideURL()
	if err != nil {
		return err
	}
	key, err := d.ring.at(p.last)
	if err != nil {
		return err
	}
	q := wire.AsideRequest{Device: d.id.Device, Push: p.frame}
	q.Sign(key)
	status, said, err := d.post(ctx, address, wire.AsideType, q.Encode(), 64)
	switch {
	case err != nil:
		return err
	case status == http.StatusOK && string(said) == wire.AsideTaken:
		return nil
	case status == http.StatusForbidden && string(said) == wire.AsideNot:
		return errNotTaken
	}
	return fmt.Errorf("the centre answers with status %d", status)
}

// post asks the centre outside of a connection, and returns at most most bytes of what it says.
func (d *Device) post(ctx context.Context, address *url.URL, kind string, body []byte, most int64) (status int, said []byte, err error) {
	var fresh pins
	secure := d.pins.tls(address.Hostname(), func(p pins) { fresh = p })
	status, said, err = post(ctx, d.cfg, address, secure, kind, body, most)
	if err == nil && len(fresh) > 0 {
		err = d.learnPins(fresh)
	}
	return status, said, err
}

func post(ctx context.Context, cfg Config, address *url.URL, secure *tls.Config, kind string, body []byte, most int64) (status int, said []byte, err error) {
	if cfg.Network != nil {
		return cfg.Network.Post(ctx, address, kind, body, most)
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, address.String(), bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	r.Header.Set("Content-Type", kind)
	// No proxy, and no redirection: a secret goes where it was meant to go and nowhere else.
	client := http.Client{
		Transport:     &http.Transport{DisableKeepAlives: true, DialContext: (&net.Dialer{Timeout: dialTime}).DialContext, TLSClientConfig: secure},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	resp, err := client.Do(r)
	if err != nil {
		return 0, nil, err
	}
	defer resp.Body.Close()
	said, err = io.ReadAll(io.LimitReader(resp.Body, most))
	return resp.StatusCode, said, err
}

// asideURL is where a device hands over: beside where it was enrolled.
func (id identity) asideURL() (*url.URL, error) {
	u, err := enrolURL(id.Centre)
	if err != nil {
		return nil, err
	}
	u.Path = wire.AsidePath
	return u, nil
}
