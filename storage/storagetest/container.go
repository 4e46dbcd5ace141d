package storagetest

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"os"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx" that ForSQL asks with
	"github.com/moby/moby/api/types/network"
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/wait"
)

const (
	defaultImage = "postgres:17"
	serverPort   = "5432/tcp"
	userName     = "postgres"
	// password of a server that listens on this machine only, for one test run
	password = "test"
)

// container starts Postgres by testcontainers-go, whose own settings
// (TESTCONTAINERS_…, DOCKER_HOST) hold.
func container(ctx context.Context) (address string, end func() error, err error) {
	image := os.Getenv("POSTGRES_IMAGE")
	if image == "" {
		image = defaultImage
	}
	at := func(host string, port network.Port) string {
		u := url.URL{
			Scheme: "postgres", User: url.UserPassword(userName, password),
			Host: net.JoinHostPort(host, port.Port()), Path: "/postgres", RawQuery: "sslmode=disable",
		}
		return u.String()
	}
	c, err := testcontainers.Run(ctx, image,
		testcontainers.WithExposedPorts(serverPort),
		testcontainers.WithEnv(map[string]string{"POSTGRES_PASSWORD": password}),
		testcontainers.WithCmd("postgres", "-c", "fsync=off", "-c", "synchronous_commit=off",
			"-c", "full_page_writes=off", "-c", maxConnections),
		testcontainers.WithWaitStrategy(wait.ForSQL(serverPort, "pgx", at)),
	)
	end = func() error { return testcontainers.TerminateContainer(c) }
	if err != nil {
		return "", nil, fmt.Errorf("cannot start %s: %w", image, joinEnd(err, end))
	}
	host, err := c.Host(ctx)
	if err != nil {
		return "", nil, joinEnd(err, end)
	}
	port, err := c.MappedPort(ctx, serverPort)
	if err != nil {
		return "", nil, joinEnd(err, end)
	}
	return at(host, port), end, nil
}

// joinEnd ends what half started.
func joinEnd(err error, end func() error) error {
	if failed := end(); failed != nil {
		return fmt.Errorf("%w; and cannot end it: %w", err, failed)
	}
	return err
}
