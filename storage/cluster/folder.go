package cluster

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// folder is a run's own folder. It is ours (root's, when root runs us) and
// locked from its making to its removal, by a lock that ends with the process
// however that ends. What is in it:
//
//	run.json   whose it is and what runs for it
//	data       the cluster, in a private one
//	log        what Postgres printed
//	password   of the superuser, only in a folder that is kept
type folder struct {
	path string
	lock *os.File
}

// record is run.json.
type record struct {
	OwnerPID  int    `json:"owner_pid"`           // the program that made the folder
	ServerPID int    `json:"server_pid,omitzero"` // the postmaster
	Container string `json:"container,omitzero"`  // the name of the container
}

var errLocked = errors.New("in use by another run")

// newFolder makes a folder for this run. Between the making and the locking
// another run may take it for an orphan and remove it: then the next one is tried.
func newFolder(o Options) (*folder, error) {
	var last error
	for range createAttempts {
		path, err := os.MkdirTemp(tempOf(o), folderPattern)
		if err != nil {
			return nil, fmt.Errorf("cannot make a folder for Postgres: %w", err)
		}
		f, err := lockFolder(path)
		if err == nil {
			if err = f.write(record{OwnerPID: os.Getpid()}); err == nil {
				return f, nil
			}
			_ = f.lock.Close()
		}
		last = err
	}
	return nil, fmt.Errorf("cannot lock a folder for Postgres: %w", last)
}

// lockFolder locks a folder that is there, or says that another run holds it.
// Only a folder of our own user is ours.
func lockFolder(path string) (*folder, error) {
	lock, err := os.OpenFile(path, os.O_RDONLY|syscall.O_DIRECTORY|syscall.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	if err := ownedByUs(lock); err != nil {
		_ = lock.Close()
		return nil, err
	}
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = lock.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s is %w", path, errLocked)
		}
		return nil, fmt.Errorf("cannot lock %s: %w", path, err)
	}
	return &folder{path: path, lock: lock}, nil
}

func ownedByUs(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if s, ok := info.Sys().(*syscall.Stat_t); !ok || int(s.Uid) != os.Geteuid() {
		return fmt.Errorf("%s belongs to another user", f.Name())
	}
	return nil
}

func (f *folder) in(name string) string { return filepath.Join(f.path, name) }

func (f *folder) write(r record) error {
	body, err := json.Marshal(r)
	if err != nil {
		return err
	}
	return os.WriteFile(f.in("run.json"), append(body, '\n'), 0o600)
}

func (f *folder) read() (record, error) {
	var r record
	body, err := os.ReadFile(f.in("run.json"))
	if err != nil {
		return r, err
	}
	return r, json.Unmarshal(body, &r)
}

// remove takes the folder away; the lock goes last, so that nobody else starts
// to do the same.
func (f *folder) remove() error {
	err := os.RemoveAll(f.path)
	_ = f.lock.Close()
	return err
}

// clearOrphans removes what killed runs left among the temporary files. What
// cannot be cleared is said and left: it must not stop this run.
func clearOrphans(ctx context.Context, o Options) {
	paths, _ := filepath.Glob(filepath.Join(tempOf(o), folderPattern)) // the pattern is well formed
	for _, path := range paths {
		f, err := lockFolder(path)
		if err != nil {
			continue // another user's, a live run's, or gone
		}
		r, err := f.read()
		if errors.Is(err, fs.ErrNotExist) {
			// Being made, or killed while it was: then it is empty. Anything
			// else of this name is not ours to remove.
			_ = os.Remove(path)
			_ = f.lock.Close()
			continue
		}
		if err == nil {
			err = f.end(ctx, r)
		}
		if err == nil {
			err = f.remove()
		}
		_ = f.lock.Close()
		if err != nil {
			o.Say("left " + path + " of a run that was killed: " + err.Error())
			continue
		}
		o.Say("cleared " + path + " of a run that was killed")
	}
}

// end stops what still runs for a folder whose owner is dead. The server may
// have started after the last note of it: its own file names it then.
func (f *folder) end(ctx context.Context, r record) error {
	if r.Container != "" {
		return removeContainer(ctx, r.Container)
	}
	data := f.in("data")
	pids := []int{r.ServerPID}
	if body, err := os.ReadFile(filepath.Join(data, "postmaster.pid")); err == nil {
		first, _, _ := strings.Cut(string(body), "\n")
		if pid, err := strconv.Atoi(strings.TrimSpace(first)); err == nil {
			pids = append(pids, pid)
		}
	}
	for _, pid := range pids {
		if err := stopOrphan(pid, data); err != nil {
			return err
		}
	}
	return nil
}

func tempOf(o Options) string {
	if o.temp != "" {
		return o.temp
	}
	return os.TempDir()
}
