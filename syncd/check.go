package syncd

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"time"

	"ullage/events"
	"ullage/syncd/office"
	"ullage/syncd/trust/disk"
)

// Check looks after the centre: streams, public log, disk, clock, certificates, alarms. Each finding says in plain words how
// it stands, and what to do where that is not well.
func (c *Centre) Check(ctx context.Context) []office.Finding {
	var all []office.Finding
	looks := []func(context.Context) (office.Finding, error){
		c.checkRecords, c.checkReadable, c.checkLog, c.checkJournal, c.checkDisk, c.checkClock, c.checkCertificates, c.checkSecondPlace, c.checkAlarms,
	}
	if c.cluster != nil {
		looks = append(looks, c.checkCluster)
	}
	for _, look := range looks {
		f, err := look(ctx)
		if err != nil {
			f.State, f.Say, f.Do = office.Bad, "this could not be looked at: "+err.Error(), "Mend that first; then check again."
		}
		all = append(all, f)
	}
	return all
}

func (c *Centre) checkRecords(ctx context.Context) (office.Finding, error) {
	f := office.Finding{What: "records", State: office.Good}
	if _, looked := c.healer.Missing(); looked.IsZero() { // nobody serves
		if err := c.healer.Look(ctx); err != nil {
			return f, err
		}
	}
	missing, looked := c.healer.Missing()
	if len(missing) == 0 {
		f.Say = fmt.Sprintf("nothing is missing of what was received, as of %s", events.MillisOf(looked).Format(0))
		return f, nil
	}
	f.State, f.Do = office.Bad, "Let these devices connect: they are asked for what they still hold. Wipe no folder of theirs. ullage alarms tells since when."
	for device, ranges := range missing {
		if f.Say != "" {
			f.Say += "; "
		}
		f.Say += fmt.Sprintf("%s of device %s are missing", inWords(ranges), device)
	}
	return f, nil
}

func (c *Centre) checkReadable(ctx context.Context) (office.Finding, error) {
	f := office.Finding{What: "streams", State: office.Good}
	unread, err := c.store.Unread(ctx)
	if err != nil {
		return f, err
	}
	at, err := c.source.State(ctx)
	if err != nil {
		return f, err
	}
	if len(unread) == 0 {
		f.Say = fmt.Sprintf("all of %d deliveries can be read", at.Last)
		return f, nil
	}
	n := uint64(0)
	for _, u := range unread {
		n += u.Last - u.First + 1
	}
	f.State = office.Attend
	f.Say = fmt.Sprintf("%d of %d deliveries cannot be read any more, the first is %d: %s; their records stand in later ones, unless some are missing above", n, at.Last, unread[0].First, unread[0].Why)
	f.Do = "Look after this machine's disk."
	return f, nil
}

func (c *Centre) checkLog(ctx context.Context) (office.Finding, error) {
	f := office.Finding{What: "public log", State: office.Good}
	at, err := c.source.State(ctx)
	if err != nil {
		return f, err
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := c.log.Wait(ctx, at.Last); err != nil {
		f.State, f.Say = office.Bad, "the public log does not keep up with what is received: "+err.Error()
		f.Do = "See ullage alarms; start the centre again if there is none about it."
		return f, nil
	}
	f.Say = fmt.Sprintf("it has %d leaves, and all that was received", c.log.Newest().Size)
	return f, nil
}

func (c *Centre) checkJournal(context.Context) (office.Finding, error) {
	f := office.Finding{What: "office's journal", State: office.Good}
	received, err := c.desk.Receipted()
	if err != nil {
		return f, err
	}
	head := c.desk.Head().Seq
	if f.Say = fmt.Sprintf("%d records, all received", head); received < head {
		f.State, f.Say, f.Do = office.Attend, fmt.Sprintf("%d of %d records are not received yet", head-received, head), "They are sent again without a hand; if this stays, see the centre's log."
	}
	return f, nil
}

// leastFree is what a centre should have left on its disk.
const leastFree = 1 << 30

func (c *Centre) checkDisk(context.Context) (office.Finding, error) {
	f := office.Finding{What: "disk", State: office.Good}
	free, of, known, err := disk.Free(c.cfg.Dir)
	if err != nil || !known {
		f.Say = "this system does not tell how much room is left"
		return f, err
	}
	f.Say = fmt.Sprintf("%.1f GB of %.1f GB are free", float64(free)/1e9, float64(of)/1e9)
	if free < leastFree || free < of/20 {
		f.State, f.Do = office.Bad, "Make room: without it nothing is received any more, and devices keep what they have."
	}
	return f, nil
}

func (c *Centre) checkClock(ctx context.Context) (office.Finding, error) {
	f := office.Finding{What: "clock", State: office.Good}
	newest, err := c.store.Newest(ctx)
	if err != nil {
		return f, err
	}
	at := now()
	if f.Say = fmt.Sprintf("it shows %s, not before anything that was received", at.Format(0)); newest > at {
		f.State = office.Bad
		f.Say = fmt.Sprintf("it shows %s, and something was received at %s by it: it was put back by %s at least", at.Format(0), newest.Format(0), time.Duration(newest-at)*time.Millisecond)
		f.Do = "Set this machine's clock by a time server. What is received until then is dated too early."
	}
	return f, nil
}

func (c *Centre) checkCertificates(context.Context) (office.Finding, error) {
	f := office.Finding{What: "certificate", State: office.Good}
	cert, err := c.trust.TLS().GetCertificate(&tls.ClientHelloInfo{ServerName: c.names[0]})
	if err != nil {
		return f, err
	}
	leaf, err := x509.ParseCertificate(cert.Certificate[0])
	if err != nil {
		return f, err
	}
	left := time.Until(leaf.NotAfter)
	f.Say = fmt.Sprintf("good until %s", leaf.NotAfter.UTC().Format(time.DateOnly))
	if c.cfg.Cert == "" {
		f.Say += "; the centre renews it by itself"
	}
	switch {
	case left < 0:
		f.State, f.Do = office.Bad, "Renew it: browsers refuse it already. Devices go by the key and not by the date."
	case left < 14*24*time.Hour && c.cfg.Cert != "":
		f.State, f.Do = office.Attend, "Renew it: the files are read again when they change."
	}
	return f, nil
}

func (c *Centre) checkAlarms(context.Context) (office.Finding, error) {
	f := office.Finding{What: "alarms", State: office.Good, Say: "none is open"}
	if n := len(c.alarms.Pending()); n > 0 {
		f.State, f.Say, f.Do = office.Bad, fmt.Sprintf("%d are open", n), "ullage alarms tells each, and what to do."
	}
	return f, nil
}
