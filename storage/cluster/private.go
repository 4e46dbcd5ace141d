package cluster

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const portAttempts = 5 // a port found free may be taken before Postgres binds it

// private is the way by programs of this machine.
func private(ctx context.Context, o Options, p programs) (*server, error) {
	account, err := serverAccount()
	if err != nil {
		return nil, err
	}
	f, err := folderFor(ctx, o)
	if err != nil {
		return nil, err
	}
	s, err := f.serve(ctx, o, p, account)
	if err != nil {
		return nil, errors.Join(err, f.leave(o))
	}
	return s, nil
}

// folderFor is a new folder, or the one that the run keeps.
func folderFor(ctx context.Context, o Options) (*folder, error) {
	if o.Keep == "" {
		return newFolder(o)
	}
	path, err := filepath.Abs(o.Keep)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(path, 0o700); err != nil {
		return nil, fmt.Errorf("cannot make the folder to keep: %w", err)
	}
	f, err := lockFolder(path)
	if err != nil {
		return nil, err
	}
	if r, err := f.read(); err == nil {
		if err := f.end(ctx, r); err != nil {
			return nil, errors.Join(err, f.lock.Close())
		}
	}
	return f, f.write(record{OwnerPID: os.Getpid()})
}

// leave removes the folder, or unlocks one that is kept.
func (f *folder) leave(o Options) error {
	if o.Keep == "" {
		return f.remove()
	}
	return f.lock.Close()
}

// serve makes the cluster, unless a kept folder has one, and starts it.
func (f *folder) serve(ctx context.Context, o Options, p programs, a account) (*server, error) {
	if a.credential != nil {
		// The server's user must reach its data through our folder; it can
		// neither list nor change it.
		if err := os.Chmod(f.path, 0o711); err != nil {
			return nil, err
		}
	}
	password, err := f.initialize(ctx, o, p, a)
	if err != nil {
		return nil, err
	}
	var proc *process
	var admin *url.URL
	for range portAttempts {
		if proc, admin, err = f.launch(ctx, o, p, a, password); !errors.Is(err, errPortTaken) {
			break
		}
	}
	if err != nil {
		return nil, err
	}
	origin := fmt.Sprintf("a private cluster, version %d, in %s", p.major, f.path)
	if a.name != "" {
		origin += ", run as " + a.name
	}
	return &server{
		admin: admin, origin: origin, pid: proc.pid(),
		stop: func() error { return errors.Join(proc.stop(), f.leave(o)) },
	}, nil
}

// initialize runs initdb. The password goes by a file that only the server's
// user can read; it stays only with a cluster that is kept.
func (f *folder) initialize(ctx context.Context, o Options, p programs, a account) (password string, err error) {
	data, secret := f.in("data"), f.in("password")
	if _, err := os.Stat(filepath.Join(data, "PG_VERSION")); err == nil {
		kept, err := os.ReadFile(secret)
		if err != nil {
			return "", fmt.Errorf("%s has a cluster but no password: %w", f.path, err)
		}
		return string(kept), nil
	}
	password = random(secretBytes)
	if err := os.WriteFile(secret, []byte(password), 0o600); err != nil {
		return "", err
	}
	if o.Keep == "" {
		defer func() { err = errors.Join(err, os.Remove(secret)) }()
	}
	if err := os.Mkdir(data, 0o700); err != nil {
		return "", fmt.Errorf("the folder to keep holds something else: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.RemoveAll(data) // half a cluster is none
		}
	}()
	if err := errors.Join(a.own(secret), a.own(data)); err != nil {
		return "", err
	}
	cmd := command(a, f.path, p.initdb, "-D", data, "-U", superuser, "--pwfile", secret,
		"-A", "scram-sha-256", "-E", "UTF8", "--locale=C", "--data-checksums", "-N", "--no-instructions")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	proc, err := start(cmd, false)
	if err != nil {
		return "", fmt.Errorf("cannot run initdb: %w", err)
	}
	select {
	case <-proc.done:
	case <-ctx.Done():
		_ = syscall.Kill(-proc.pid(), syscall.SIGKILL) // its children too
		<-proc.done
		return "", ctx.Err()
	}
	if proc.err != nil {
		return "", fmt.Errorf("%s failed: %s", p.initdb, lastLine(out.String()))
	}
	return password, nil
}

var errPortTaken = errors.New("the port was taken in the meantime")

// launch starts the postmaster on a free port and waits for its first answer.
func (f *folder) launch(ctx context.Context, o Options, p programs, a account, password string) (*process, *url.URL, error) {
	port, err := freePort()
	if err != nil {
		return nil, nil, err
	}
	log, err := os.OpenFile(f.in("log"), os.O_CREATE|os.O_TRUNC|os.O_RDWR, 0o600)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = log.Close() }() // the server has its own handle
	args := []string{
		"-D", f.in("data"), "-p", strconv.Itoa(port),
		"-c", "listen_addresses=127.0.0.1",
		"-c", "unix_socket_directories=", // loopback only: a socket's path has 103 bytes at most
		"-c", "log_min_error_statement=panic", // statements carry names of residents
	}
	for _, parameter := range o.parameters() {
		args = append(args, "-c", parameter)
	}
	cmd := command(a, f.path, p.postgres, args...)
	cmd.Stdout, cmd.Stderr = log, log
	proc, err := start(cmd, o.outlivesParent)
	if err != nil {
		return nil, nil, fmt.Errorf("cannot run postgres: %w", err)
	}
	if err := f.write(record{OwnerPID: os.Getpid(), ServerPID: proc.pid()}); err != nil {
		return nil, nil, errors.Join(err, proc.stop())
	}
	admin := address(net.JoinHostPort("127.0.0.1", strconv.Itoa(port)), password)
	err = awaitReady(ctx, admin, proc.done)
	if err == nil {
		return proc, admin, nil
	}
	err = errors.Join(err, proc.stop())
	text, _ := os.ReadFile(f.in("log"))
	if strings.Contains(string(text), "could not bind") {
		return nil, nil, errPortTaken
	}
	if ctx.Err() == nil {
		err = fmt.Errorf("%s did not start: %s: %w", p.postgres, lastLine(string(text)), err)
	}
	return nil, nil, err
}

// parameters are those of the server's command line.
func (o Options) parameters() []string {
	if !o.Fast {
		return o.Parameters
	}
	return append([]string{"fsync=off", "synchronous_commit=off", "full_page_writes=off"}, o.Parameters...)
}

func freePort() (int, error) {
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		return 0, fmt.Errorf("no free port on the loopback address: %w", err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// address is that of a server of our own; it never leaves this machine, so it
// goes without TLS.
func address(host, password string) *url.URL {
	return &url.URL{
		Scheme: "postgres", User: url.UserPassword(superuser, password),
		Host: host, Path: "/" + maintenance, RawQuery: "sslmode=disable",
	}
}

// awaitReady returns when the server lets us in. ended says that it never will.
func awaitReady(ctx context.Context, admin *url.URL, ended <-chan struct{}) error {
	ctx, cancel := context.WithTimeout(ctx, readyTimeout)
	defer cancel()
	tick := time.NewTicker(readyPoll)
	defer tick.Stop()
	for {
		conn, err := connect(ctx, admin)
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-ended:
			return errors.New("the server ended")
		case <-ctx.Done():
			return fmt.Errorf("no answer: %w", errors.Join(ctx.Err(), err))
		case <-tick.C:
		}
	}
}
