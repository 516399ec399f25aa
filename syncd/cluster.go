package syncd

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/syncd/broker"
	"ullage/syncd/office"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

// servers is what the centre needs of its message server, which runs within the process (broker.Broker) or is a cluster
// (broker.Cluster).
type servers interface {
	Connect(trust.Role, ...nats.Option) (*nats.Conn, error)
	EnsureStreams(context.Context) error
	ClientURL() string // where devices connect
	UpdateDevicesAccount(*jwt.AccountClaims) error
	Rest(user string, length time.Duration) error
	Admit(context.Context, trust.Grant) error
	EndGrant(context.Context, events.DeviceID, *jwt.AccountClaims) error
	Shutdown()
}

// asServers keeps a nil of one of the two from looking like a server.
func asServers[T servers](s T, err error) (servers, error) {
	if err != nil {
		return nil, err
	}
	return s, nil
}

// ErrStreams is in the error about a folder with streams of its own, for which a cluster is named.
var ErrStreams = errors.New("the folder has streams of its own")

// clusterFile is where the folder remembers the servers of its cluster.
const clusterFile = "cluster.json"

// clusterServers is what stands in it.
type clusterServers struct {
	Servers []string `json:"servers"`
}

// chosenServers are the servers of the cluster that a centre uses: those that are named, or those of its last start.
func chosenServers(cfg Config) ([]string, error) {
	if len(cfg.Servers) > 0 {
		if err := broker.CheckServers(cfg.Servers); err != nil {
			return nil, err
		}
		if _, err := os.Stat(filepath.Join(cfg.Dir, "streams")); err == nil {
			return nil, fmt.Errorf("%w: %s; a cluster begins with a new centre", ErrStreams, cfg.Dir)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		return cfg.Servers, nil
	}
	path := filepath.Join(cfg.Dir, clusterFile)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var known clusterServers
	if err := json.Unmarshal(b, &known); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if err := broker.CheckServers(known.Servers); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return known.Servers, nil
}

// openBroker starts the message server, or goes to the cluster, and makes the streams.
func (c *Centre) openBroker(ctx context.Context) error {
	var err error
	if len(c.cfg.Servers) == 0 {
		if c.broker, err = asServers(broker.Start(broker.Config{
			Dir: c.path("streams"), Host: c.cfg.Host, Port: c.ports.NATS, Name: c.names[0], TLS: c.trust.TLS(), Trust: c.trust, Log: c.cfg.Log,
		})); err != nil {
			return err
		}
		return c.broker.EnsureStreams(ctx)
	}
	if c.cluster, err = broker.Join(ctx, broker.ClusterConfig{
		Servers: c.cfg.Servers, TLS: c.trust.ClientTLS(), Trust: c.trust, Unsynced: c.cfg.Unsynced, Log: c.cfg.Log,
	}); err != nil {
		return err
	}
	c.broker = c.cluster
	if err := c.broker.EnsureStreams(ctx); err != nil {
		return err
	}
	return writeJSON(c.path(clusterFile), clusterServers{c.cfg.Servers})
}

// warning is what every page says of a centre that takes servers which do not sync always.
func (c *Centre) warning() string {
	if c.cluster == nil || !c.cfg.Unsynced {
		return ""
	}
	return "This centre was told to take message servers that confirm what is not on their disks yet. When their power fails, records that devices have receipts for can be lost. " +
		"The receipts say so by the gate's name, which ends with -unsynced."
}

// checkCluster looks at the servers of the cluster.
func (c *Centre) checkCluster(ctx context.Context) (office.Finding, error) {
	f := office.Finding{What: "message servers", State: office.Good}
	if err := c.cluster.Look(ctx); err != nil && !errors.Is(err, broker.ErrUnsynced) {
		return f, err
	}
	var all, away, loose []string
	for _, s := range c.cluster.States() {
		all = append(all, s.Name)
		switch {
		case s.Away:
			away = append(away, s.Name)
		case !s.Synced:
			loose = append(loose, s.Name)
		}
	}
	f.Say = fmt.Sprintf("%s are there, and confirm what is on their disks only", strings.Join(all, ", "))
	if len(away) > 0 {
		f.State, f.Do = office.Attend, "Start it again: while one is away, the next that fails stops the centre."
		f.Say = fmt.Sprintf("of %s, %s does not answer", strings.Join(all, ", "), strings.Join(away, ", "))
	}
	if len(loose) > 0 {
		f.State, f.Do = office.Bad, "Set sync_interval: always in the part jetstream of its configuration, start it again, and serve without --unsynced."
		f.Say = fmt.Sprintf("of %s, %s confirms what is not on its disk yet: when its power fails, what was received can be lost", strings.Join(all, ", "), strings.Join(loose, ", "))
	}
	return f, nil
}

// Configuration writes the folders of a cluster's servers, below a folder that is empty or not there, by the keys of the
// centre in dir, which are made where there are none. The centre must not run. Its errors wrap broker.ErrServer,
// backup.ErrTarget, and disk.ErrHeld.
func Configuration(cfg Config, list []broker.Server, to string) (err error) {
	if err := broker.CheckCluster(list); err != nil {
		return err
	}
	t, err := trust.Open(trust.Config{Dir: cfg.Dir, Log: cfg.Log, Cluster: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.Close()) }()
	all, err := broker.Configuration(t, list)
	if err != nil {
		return err
	}
	return newFolder(to, func(dir string) error {
		for name, files := range all {
			if err := disk.MakeDir(filepath.Join(dir, name)); err != nil {
				return err
			}
			for _, f := range files {
				if err := disk.WriteFile(filepath.Join(dir, name, f.Name), f.Data); err != nil {
					return err
				}
			}
		}
		return nil
	})
}
