package cluster

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// account is the user that Postgres runs as. Postgres refuses root, so root
// hands its processes and data to "postgres", which Debian's package makes, or
// to "nobody".
type account struct {
	credential *syscall.Credential // nil: our own user
	name       string
}

func serverAccount() (account, error) {
	if os.Geteuid() != 0 {
		return account{}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err := errors.Join(err1, err2); err != nil {
			return account{}, fmt.Errorf("user %s has no numeric ids: %w", name, err)
		}
		return account{credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, name: name}, nil
	}
	return account{}, errors.New("Postgres does not run as root, and this machine has neither a user postgres nor nobody to run it as")
}

// own hands a file or folder to the account.
func (a account) own(path string) error {
	if a.credential == nil {
		return nil
	}
	return os.Lchown(path, int(a.credential.Uid), int(a.credential.Gid))
}
