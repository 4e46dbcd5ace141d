package cluster

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// programs are the two programs of one installed Postgres.
type programs struct {
	initdb, postgres string
	major            int
}

// usualPlaces are where the packages of Debian, the RPM distributions and
// Homebrew put Postgres, which is often not on PATH.
func usualPlaces() []string {
	return []string{
		"/usr/lib/postgresql/*/bin",
		"/usr/pgsql-*/bin",
		"/opt/homebrew/opt/postgresql*/bin",
		"/usr/local/opt/postgresql*/bin",
	}
}

const versionTimeout = 5 * time.Second

// findPrograms returns the newest Postgres on PATH and in the usual places, or
// nil and what was looked for.
func findPrograms(ctx context.Context, o Options) (*programs, string) {
	path, places := o.path, o.places
	if path == "" {
		path = os.Getenv("PATH")
	}
	if places == nil {
		places = usualPlaces()
	}
	folders := filepath.SplitList(path)
	for _, place := range places {
		found, _ := filepath.Glob(place) // the pattern is ours and well formed
		folders = append(folders, found...)
	}

	var best *programs
	var old []string
	seen := map[string]bool{}
	for _, folder := range folders {
		p, err := programsIn(ctx, folder)
		if err != nil || seen[p.postgres] {
			continue
		}
		seen[p.postgres] = true
		switch {
		case p.major < minMajor:
			old = append(old, fmt.Sprintf("%s is version %d", p.postgres, p.major))
		case best == nil || p.major > best.major:
			best = p
		}
	}
	looked := fmt.Sprintf("initdb and postgres on PATH and in %s", strings.Join(places, ", "))
	if len(old) > 0 {
		looked += " (" + strings.Join(old, "; ") + ")"
	}
	return best, looked
}

// programsIn looks into one folder. Links are followed, since Postgres finds
// its other files beside the real program and Debian's wrappers stand apart.
func programsIn(ctx context.Context, folder string) (*programs, error) {
	initdb, err := filepath.EvalSymlinks(filepath.Join(folder, "initdb"))
	if err != nil {
		return nil, err
	}
	postgres, err := filepath.EvalSymlinks(filepath.Join(folder, "postgres"))
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, versionTimeout)
	defer cancel()
	out, err := exec.CommandContext(ctx, postgres, "--version").Output()
	if err != nil {
		return nil, err
	}
	major, err := majorOf(string(out))
	if err != nil {
		return nil, err
	}
	return &programs{initdb: initdb, postgres: postgres, major: major}, nil
}

// majorOf reads "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)".
func majorOf(line string) (int, error) {
	m := regexp.MustCompile(`\(PostgreSQL\) (\d+)`).FindStringSubmatch(line)
	if m == nil {
		return 0, fmt.Errorf("%q names no version of PostgreSQL", line)
	}
	return strconv.Atoi(m[1])
}
