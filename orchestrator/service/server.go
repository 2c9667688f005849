package service

import (
	"context"
	"fmt"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Bench is what the service needs of a bench.
type Bench interface {
	Name() string
	// Status is the latest that is known, a copy.
	Status() bench.Status
	// Subscribe returns a channel that holds the newest status, replacing one
	// that was not taken, and a function that ends the subscription.
	Subscribe() (<-chan bench.Status, func())
	Start(ctx context.Context, r bench.StartRequest) error
	Command(ctx context.Context, verb machine.Verb, who, reason string) error
}

// Served is a bench with the file that describes it.
type Served struct {
	Bench Bench
	// File is the bench file's name for messages, Text its content.
	File string
	Text []byte
	// Maps are the digests of the files that it names, by role (drivers.Wire).
	Maps map[string]string
	// Virtual says that the bench's time is its own.
	Virtual bool
}

func (s Served) source() source {
	return source{name: s.File, text: s.Text, maps: s.Maps, simulated: s.Virtual}
}

// Config says what a Server serves.
type Config struct {
	// Store may be nil: then only what needs no store is served.
	Store *store.Store
	// ReadOnly refuses whatever would write.
	ReadOnly bool
	Benches  []Served
	// Now dates what people do.
	Now func() time.Time
	// Planner makes the planner of a run.
	Planner func(*machine.Plan, *profiles.Module) (bench.Planner, error)
	// Ended is told when a run's end is durable, from a goroutine of the bench:
	// the place to start a judge.
	Ended func(run string)
	// Judged is told of each verdict, once it is stored; it must not block.
	Judged func(store.RunInfo)
	// QueueTold is told what people who are away must know of a queue; it must
	// not block.
	QueueTold func(QueueNotice)
}

// messageMax bounds every message, both ways.
const messageMax = 4 << 20

// Server is an orchestrator's services over one store and its benches.
type Server struct {
	Config
	benches map[string]Served

	// starting keeps two starts of one bench from racing between the store and
	// the bench.
	starting sync.Mutex

	enables enables
	lines   map[string]*line // by bench; none where nothing may be written
}

// New returns the services over c.
func New(c Config) *Server {
	s := &Server{Config: c, benches: map[string]Served{}}
	for _, b := range c.Benches {
		s.benches[b.Bench.Name()] = b
	}
	s.openLines()
	return s
}

// GRPC returns a gRPC server with every service registered, health and
// reflection included.
func (s *Server) GRPC() *grpc.Server {
	g := grpc.NewServer(
		grpc.MaxRecvMsgSize(messageMax),
		grpc.MaxSendMsgSize(messageMax),
		grpc.MaxConcurrentStreams(64),
		grpc.UnaryInterceptor(func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			out, err := next(ctx, req)
			return out, ToStatus(err)
		}),
		grpc.StreamInterceptor(func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			return ToStatus(next(srv, ss))
		}),
	)
	rigwardenv1.RegisterModulesServer(g, moduleService{s: s})
	rigwardenv1.RegisterProfilesServer(g, profileService{s: s})
	rigwardenv1.RegisterBenchesServer(g, benchService{s: s})
	rigwardenv1.RegisterRunsServer(g, runService{s: s})
	rigwardenv1.RegisterEvidenceServer(g, evidenceService{s: s})
	rigwardenv1.RegisterChecksServer(g, checkService{s: s})
	rigwardenv1.RegisterQueuesServer(g, queueService{s: s})
	h := health.NewServer()
	h.SetServingStatus("", healthv1.HealthCheckResponse_SERVING)
	healthv1.RegisterHealthServer(g, h)
	reflection.Register(g)
	return g
}

func (s *Server) now() drivers.Instant { return drivers.Instant(s.Now().UnixMicro()) }

// reading returns the store for reading.
func (s *Server) reading() (*store.Store, error) {
	if s.Store == nil {
		return nil, &Error{Kind: KindRefused, What: "there is no store here", Want: "name one with --store FILE, or an orchestrator with --server ADDRESS"}
	}
	return s.Store, nil
}

// writing returns the store for writing.
func (s *Server) writing() (*store.Store, error) {
	if s.ReadOnly {
		return nil, &Error{Kind: KindReadOnly, What: "a store file opened by itself is read-only", Want: "ask the orchestrator that owns it: --server ADDRESS"}
	}
	return s.reading()
}

func (s *Server) bench(name string) (Served, error) {
	b, ok := s.benches[name]
	if !ok {
		return Served{}, &Error{Kind: KindNotFound, What: fmt.Sprintf("no bench is named %q here", name), Want: s.benchNames()}
	}
	return b, nil
}

func (s *Server) benchNames() string {
	if len(s.Benches) == 0 {
		return "this service has no benches; an orchestrator gets them by rigwarden serve --bench FILE"
	}
	out := "one of "
	for i, b := range s.Benches {
		if i > 0 {
			out += ", "
		}
		out += b.Bench.Name()
	}
	return out
}

// source finds the text behind a request's name or file. A module's name is
// looked up in the register first, a bench's among those served.
func (s *Server) source(r *rigwardenv1.Source, kind rigwardenv1.Library, otherwise string) (source, error) {
	if f := r.GetFile(); f != nil {
		return sent(f)
	}
	name := r.GetName()
	if name == "" {
		name = otherwise
	}
	if name == "" {
		return source{}, &Error{Kind: KindInvalid, What: fmt.Sprintf("no %s given", libraryWord(kind)), Want: "a name or a file"}
	}
	if kind == rigwardenv1.Library_LIBRARY_BENCH {
		if b, ok := s.benches[name]; ok {
			return b.source(), nil
		}
	}
	if kind == rigwardenv1.Library_LIBRARY_MODULE && s.Store != nil {
		if m, err := s.Store.Module(name); err == nil {
			return source{name: m.Serial + ".yaml", text: []byte(m.Source)}, nil
		}
	}
	return shipped(kind, name)
}
