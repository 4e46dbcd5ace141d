package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// Backup says what is restored, and where to.
type Backup struct {
	// Folder is a base backup as pg_basebackup writes it with --format=plain,
	// with its manifest.
	Folder string
	// Archive is a folder with further WAL files; "" restores to the end of the
	// base backup.
	Archive string
	// Until is where to stop within the archive; zero is its end.
	Until time.Time
	// Into is the new data folder. It must not be there, or be empty. Its
	// cluster stays after Stop, ready to be started.
	Into string
	// Login and Database are those of the restored cluster to connect with.
	Login, Database string
	// Say is told, a line at a time, what is being done.
	Say func(line string)
}

// recoveryTimeout bounds the replay of the archive.
const recoveryTimeout = 12 * time.Hour

// Restore checks a base backup against its manifest, copies it, lets Postgres
// replay the archive and returns the cluster once it takes writes. Nobody but
// this process can connect: the server listens on a socket in a folder of our
// own. Stop ends the server and leaves the data.
func Restore(ctx context.Context, b Backup) (*Cluster, error) {
	o := withDefaults(Options{Say: b.Say})
	if err := emptyFolder(b.Into); err != nil {
		return nil, err
	}
	p, looked := findPrograms(ctx, o)
	if p == nil {
		return nil, fmt.Errorf("%w: looked for %s", ErrNone, looked)
	}
	a, err := serverAccount()
	if err != nil {
		return nil, err
	}
	if err := p.verify(ctx, b.Folder); err != nil {
		return nil, err
	}
	o.Say("the backup is whole by its manifest; copying it to " + b.Into)
	if err := copyTree(b.Folder, b.Into, a); err != nil {
		return nil, fmt.Errorf("copy the backup: %w", err)
	}
	f, err := newFolder(o)
	if err != nil {
		return nil, err
	}
	s, err := f.recover(ctx, b, *p, a)
	if err != nil {
		return nil, errors.Join(err, f.remove())
	}
	return &Cluster{server: *s, options: o}, nil
}

func emptyFolder(path string) error {
	list, err := os.ReadDir(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil && len(list) > 0 {
		err = fmt.Errorf("%s is not empty: a restore never writes over what is there", path)
	}
	return err
}

// verify holds the files to the backup's manifest.
func (p *programs) verify(ctx context.Context, backup string) error {
	tool := filepath.Join(filepath.Dir(p.postgres), "pg_verifybackup")
	if out, err := exec.CommandContext(ctx, tool, "--quiet", backup).CombinedOutput(); err != nil {
		return fmt.Errorf("the backup %s is not whole: %s", backup, lastLine(string(out)))
	}
	return nil
}

// copyTree copies files, folders and their rights and gives them to the account.
// A base backup in the plain format has links to tablespaces only, which stand
// outside: those are refused.
func copyTree(from, to string, a account) error {
	return filepath.WalkDir(from, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		target := filepath.Join(to, name)
		switch {
		case entry.IsDir():
			err = os.MkdirAll(target, 0o700)
		case entry.Type().IsRegular():
			err = copyFile(path, target)
		default:
			err = fmt.Errorf("%s is no file: a backup with tablespaces is restored by hand", path)
		}
		return errors.Join(err, a.own(target))
	})
}

func copyFile(from, to string) (err error) {
	source, err := os.Open(from)
	if err != nil {
		return err
	}
	defer source.Close()
	target, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(target, source)
	return errors.Join(err, target.Close())
}

// recover starts the server on the copy and waits until it takes writes.
func (f *folder) recover(ctx context.Context, b Backup, p programs, a account) (*server, error) {
	socket := f.in("socket")
	if err := errors.Join(os.Chmod(f.path, 0o711), os.Mkdir(socket, 0o700), a.own(socket)); err != nil {
		return nil, err
	}
	// Whoever reaches the socket is let in; only the account and root reach it.
	access := f.in("access")
	if err := errors.Join(os.WriteFile(access, []byte("local all all trust\n"), 0o600), a.own(access)); err != nil {
		return nil, err
	}
	data, err := filepath.Abs(b.Into)
	if err != nil {
		return nil, err
	}
	args := []string{"-D", data, "-c", "listen_addresses=", "-c", "unix_socket_directories=" + socket, "-c", "hba_file=" + access,
		"-c", "archive_mode=off", "-c", "ssl=off", "-c", "log_destination=stderr", "-c", "logging_collector=off", "-c", "log_min_error_statement=panic"}
	if b.Archive != "" {
		more, err := archiveSettings(b, data, a)
		if err != nil {
			return nil, err
		}
		args = append(args, more...)
	}
	log, err := os.OpenFile(f.in("log"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	defer func() { _ = log.Close() }() // the server has its own handle
	cmd := command(a, f.path, p.postgres, args...)
	cmd.Stdout, cmd.Stderr = log, log
	proc, err := start(cmd, false)
	if err != nil {
		return nil, fmt.Errorf("cannot run postgres: %w", err)
	}
	admin := &url.URL{Scheme: "postgres", User: url.User(b.Login), Path: "/" + b.Database,
		RawQuery: url.Values{"host": {socket}, "sslmode": {"disable"}}.Encode()}
	if err := awaitWrites(ctx, admin, proc.done); err != nil {
		text, _ := os.ReadFile(f.in("log"))
		return nil, errors.Join(fmt.Errorf("the backup does not start: %w; Postgres said: %s", err, lastLine(string(text))), proc.stop())
	}
	return &server{admin: admin, origin: "restored in " + data, pid: proc.pid(),
		stop: func() error { return errors.Join(proc.stop(), f.remove()) }}, nil
}

// archiveSettings let the server fetch WAL from the archive and become a
// server of its own, on a new timeline, at the end.
func archiveSettings(b Backup, data string, a account) ([]string, error) {
	archive, err := filepath.Abs(b.Archive)
	if err != nil {
		return nil, err
	}
	if strings.ContainsAny(archive, `'"%\`) {
		return nil, fmt.Errorf("%s: the archive's path must have no quote, percent sign or backslash", archive)
	}
	signal := filepath.Join(data, "recovery.signal")
	if err := errors.Join(os.WriteFile(signal, nil, 0o600), a.own(signal)); err != nil {
		return nil, err
	}
	args := []string{"-c", "restore_command=cp '" + archive + "/%f' '%p'", "-c", "recovery_target_action=promote"}
	if !b.Until.IsZero() {
		args = append(args, "-c", "recovery_target_time="+b.Until.UTC().Format("2006-01-02 15:04:05.999999-07"))
	}
	return args, nil
}

// awaitWrites returns when the server's recovery has ended.
func awaitWrites(ctx context.Context, admin *url.URL, ended <-chan struct{}) error {
	ctx, cancel := context.WithTimeout(ctx, recoveryTimeout)
	defer cancel()
	tick := time.NewTicker(readyPoll)
	defer tick.Stop()
	for {
		recovering := true
		conn, err := connect(ctx, admin)
		if err == nil {
			err = errors.Join(conn.QueryRow(ctx, "SELECT pg_is_in_recovery()").Scan(&recovering), conn.Close(ctx))
		}
		if err == nil && !recovering {
			return nil
		}
		select {
		case <-ended:
			return errors.New("the server ended")
		case <-ctx.Done():
			return errors.Join(ctx.Err(), err)
		case <-tick.C:
		}
	}
}
