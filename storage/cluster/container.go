package cluster

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

const (
	engineTimeout = 5 * time.Second
	removeTimeout = 30 * time.Second
	insidePort    = "5432/tcp" // where the image's server listens
)

// engineMissing says why there is no container engine, "" when there is one.
func engineMissing(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, engineTimeout)
	defer cancel()
	_, err := docker(ctx, nil, "version", "--format", "{{.Server.Version}}")
	switch {
	case err == nil:
		return ""
	case errors.Is(err, exec.ErrNotFound):
		return "docker is not on PATH"
	default:
		return "docker has no engine that answers"
	}
}

// container is the way by docker. Its folder holds no data: its lock tells the
// next run whether we live, its record which container was ours.
func container(ctx context.Context, o Options) (*server, error) {
	if o.Keep != "" {
		return nil, errors.New("a cluster in a container cannot be kept; install Postgres or set " + o.DatabaseVariable)
	}
	f, err := newFolder(o)
	if err != nil {
		return nil, err
	}
	name := "ductledger-" + random(databaseBytes)
	stop := func() error {
		ctx, cancel := context.WithTimeout(context.Background(), removeTimeout)
		defer cancel()
		if err := removeContainer(ctx, name); err != nil {
			return errors.Join(err, f.lock.Close()) // the next run tries again
		}
		return f.remove()
	}
	s, err := f.contain(ctx, o, name)
	if err != nil {
		return nil, errors.Join(err, stop())
	}
	s.stop = stop
	return s, nil
}

func (f *folder) contain(ctx context.Context, o Options, name string) (*server, error) {
	if err := f.write(record{OwnerPID: os.Getpid(), Container: name}); err != nil {
		return nil, err
	}
	password := random(secretBytes)
	args := []string{"run", "--detach", "--rm", "--name", name, "--label", "ductledger=" + f.path,
		"--env", "POSTGRES_PASSWORD", "--publish", "127.0.0.1::5432", o.Image}
	if parameters := o.parameters(); len(parameters) > 0 {
		args = append(args, "postgres")
		for _, parameter := range parameters {
			args = append(args, "-c", parameter)
		}
	}
	// By the environment, since arguments can be seen by every user.
	if _, err := docker(ctx, []string{"POSTGRES_PASSWORD=" + password}, args...); err != nil {
		return nil, fmt.Errorf("cannot start a container of %s: %w", o.Image, err)
	}
	out, err := docker(ctx, nil, "port", name, insidePort)
	if err != nil {
		return nil, fmt.Errorf("the container of %s ended: %w", o.Image, err)
	}
	line, _, _ := strings.Cut(out, "\n")
	_, port, err := net.SplitHostPort(strings.TrimSpace(line))
	if err != nil {
		return nil, fmt.Errorf("docker names no port of the container: %w", err)
	}
	admin := address(net.JoinHostPort("127.0.0.1", port), password)
	if err := awaitReady(ctx, admin, nil); err != nil {
		return nil, fmt.Errorf("the container of %s: %w", o.Image, err)
	}
	return &server{admin: admin, origin: "a container of " + o.Image}, nil
}

func removeContainer(ctx context.Context, name string) error {
	_, err := docker(ctx, nil, "rm", "--force", "--volumes", name)
	if err != nil && strings.Contains(err.Error(), "No such container") {
		return nil
	}
	return err
}

// docker runs the command line, in a group of its own: Ctrl-C reaches us, and
// we end it by ctx and remove the container after.
func docker(ctx context.Context, env []string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, "docker", args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = engineTimeout
	out, err := cmd.Output()
	var failed *exec.ExitError
	if errors.As(err, &failed) && len(failed.Stderr) > 0 {
		return "", fmt.Errorf("docker %s: %s", args[0], lastLine(string(failed.Stderr)))
	}
	return string(out), err
}
