package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// session is a client's connection to an orchestrator, wherever that is.
type session struct {
	modules  rigwardenv1.ModulesClient
	profiles rigwardenv1.ProfilesClient
	benches  rigwardenv1.BenchesClient
	runs     rigwardenv1.RunsClient
	evidence rigwardenv1.EvidenceClient
	checks   rigwardenv1.ChecksClient
	queues   rigwardenv1.QueuesClient

	conn  *grpc.ClientConn
	where string
	end   []func()
}

// on makes a command's work out of what it does with an open session.
func (a *app) on(do func(cmd *cobra.Command, s *session, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		s, err := a.open(cmd.Context())
		if err != nil {
			return err
		}
		defer s.close()
		return do(cmd, s, args)
	}
}

// messageMax bounds every message, both ways.
const messageMax = 4 << 20

func dial(target string, opts ...grpc.DialOption) (*session, error) {
	opts = append(opts,
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(messageMax), grpc.MaxCallSendMsgSize(messageMax)),
	)
	conn, err := grpc.NewClient(target, opts...)
	if err != nil {
		return nil, err
	}
	return &session{
		modules:  rigwardenv1.NewModulesClient(conn),
		profiles: rigwardenv1.NewProfilesClient(conn),
		benches:  rigwardenv1.NewBenchesClient(conn),
		runs:     rigwardenv1.NewRunsClient(conn),
		evidence: rigwardenv1.NewEvidenceClient(conn),
		checks:   rigwardenv1.NewChecksClient(conn),
		queues:   rigwardenv1.NewQueuesClient(conn),
		conn:     conn,
		where:    target,
	}, nil
}

func (s *session) close() {
	s.conn.Close()
	for i := len(s.end) - 1; i >= 0; i-- {
		s.end[i]()
	}
}

// addWhere adds the two flags that say where the data is.
func (a *app) addWhere(c *cobra.Command) {
	c.Flags().StringVar(&a.server, "server", "", "address of an orchestrator: unix:/path/to/socket or host:port (default "+socketHint+")")
	c.Flags().StringVar(&a.store, "store", "", "read this store file instead; nothing else may hold it open")
	c.MarkFlagsMutuallyExclusive("server", "store")
}

const socketHint = "the socket in your runtime folder"

// defaultSocket is where serve listens and clients look unless told otherwise.
func defaultSocket() string {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); dir != "" {
		return filepath.Join(dir, "rigwarden.sock")
	}
	return filepath.Join(os.TempDir(), fmt.Sprintf("rigwarden-%d.sock", os.Getuid()))
}

// target turns an address as people write it into gRPC's form.
func target(address string) (string, error) {
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		if path == "" {
			return "", usagef("--server %s names no socket; unix:/path/to/socket would be right", address)
		}
		return "unix:" + path, nil
	}
	if _, _, err := net.SplitHostPort(address); err != nil {
		return "", usagef("--server %s is no address; unix:/path/to/socket or host:port would be right", address)
	}
	return "passthrough:///" + address, nil
}

// open gives the command its session: the orchestrator at --server, or the
// store at --store behind the same service in this process.
func (a *app) open(ctx context.Context) (*session, error) {
	if a.store != "" {
		return a.openStore(ctx)
	}
	address := a.server
	if address == "" {
		address = "unix:" + defaultSocket()
	}
	t, err := target(address)
	if err != nil {
		return nil, err
	}
	a.address = address
	s, err := dial(t)
	if err != nil {
		return nil, usagef("--server %s: %w", address, err)
	}
	return s, nil
}

// openStore serves a store file to this process alone, read-only.
func (a *app) openStore(ctx context.Context) (*session, error) {
	st, err := store.Open(a.store, store.Options{ReadOnly: true, Now: a.clock})
	if err != nil {
		return nil, service.Classify(err)
	}
	s, err := inProcess(service.New(service.Config{Store: st, ReadOnly: true, Now: a.clock}))
	if err != nil {
		st.Close()
		return nil, err
	}
	s.where = a.store
	s.end = append([]func(){func() { st.Close() }}, s.end...)
	return s, nil
}

// openOffline serves what needs neither bench nor store.
func (a *app) openOffline(ctx context.Context) (*session, error) {
	if a.store != "" || a.server != "" {
		return a.open(ctx)
	}
	return inProcess(service.New(service.Config{Now: a.clock}))
}

// inProcess connects to a service without leaving the process: the same wire
// format, the same code, a pipe in memory.
func inProcess(srv *service.Server) (*session, error) {
	l := bufconn.Listen(1 << 20)
	g := srv.GRPC()
	go g.Serve(l)
	s, err := dial("passthrough:///memory", grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		g.Stop()
		return nil, err
	}
	s.end = append(s.end, g.Stop)
	return s, nil
}

// explain makes "nobody answers", which the transport says in its own words,
// say where, and what would be right.
func (a *app) explain(err error) error {
	if a.address == "" || err == nil {
		return err
	}
	var end ending
	var use usageError
	if errors.As(err, &end) || errors.As(err, &use) {
		return err
	}
	if e := service.FromStatus(err); e.Kind != service.KindUnreachable || e.Want != "" {
		return err
	}
	return &service.Error{
		Kind: service.KindUnreachable, What: "no orchestrator answers", Where: "at " + a.address,
		Want: "start one with rigwarden serve, or name another with --server",
	}
}
