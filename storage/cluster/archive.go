package cluster

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path"
	"runtime"
	"strings"
)

// archive is a packed Postgres: where it lies and the SHA-256 that it must have.
type archive struct {
	what    string // for people
	address string
	sha256  string // 64 hexadecimal digits
}

// repository holds the archives that the embedded-postgres libraries of Java
// and Go use: initdb, postgres and pg_ctl with their libraries, in a .txz
// inside a .jar. Those libraries fetch and start in one step and refuse root,
// so only the archives serve here.
const repository = "https://repo1.maven.org/maven2/io/zonky/test/postgres/"

// build is one archive of the repository.
type build struct {
	artifact, version, sha256 string
	loader                    string // without it the programs of Linux cannot run: musl has another
}

// builds are the archives by system and processor. The digests are those that
// public projects have pinned; a wrong one refuses the archive and lets nothing
// else in. That of linux/amd64 was recorded together with the digests of its
// initdb, postgres and pg_ctl, which equal those of another publisher's package
// of the same build. That of darwin/arm64 stands in several unrelated projects.
// Those of linux/arm64 and darwin/amd64 stand in one of these.
var builds = map[string]build{
	"linux/amd64": {"linux-amd64", "17.6.0", "23da5a044b4fb7a5a081a45008c95749c873305328d73f86aefd56922ce1d29d",
		"/lib64/ld-linux-x86-64.so.2"},
	"linux/arm64": {"linux-arm64v8", "17.5.0", "e02f27ff50ff2d90b6541d54f3f108505aacd84ea53c2890e976a684bfea2752",
		"/lib/ld-linux-aarch64.so.1"},
	"darwin/amd64": {artifact: "darwin-amd64", version: "17.5.0",
		sha256: "fb70f783928e77c3d6ef5ca8ed644f1ac502f740fcfc032a375c8347820f2bdd"},
	"darwin/arm64": {artifact: "darwin-arm64v8", version: "17.5.0",
		sha256: "e9d3398e10c2ec926395498b03e75ad1a24eeaed82895e756a7e173b202cf6de"},
}

// archiveFor is the archive that was given, else the one for this machine.
func archiveFor(o Options) (archive, error) {
	if o.Archive != "" {
		return archiveAt(o.Archive)
	}
	platform := runtime.GOOS + "/" + runtime.GOARCH
	b, ok := builds[platform]
	if ok && b.loader != "" {
		_, err := os.Stat(b.loader)
		ok = err == nil
	}
	if !ok {
		return archive{}, errors.New("none is known for this " + platform)
	}
	name := "embedded-postgres-binaries-" + b.artifact
	return archive{
		what:    "PostgreSQL " + strings.TrimSuffix(b.version, ".0"),
		address: repository + name + "/" + b.version + "/" + name + "-" + b.version + ".jar",
		sha256:  b.sha256,
	}, nil
}

// archiveAt reads "https://host/name#sha256=digest".
func archiveAt(text string) (archive, error) {
	bad := errors.New("POSTGRES_ARCHIVE is not of the form https://host/archive#sha256=DIGEST")
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" {
		return archive{}, bad
	}
	digest, named := strings.CutPrefix(u.Fragment, "sha256=")
	if sum, err := hex.DecodeString(digest); !named || err != nil || len(sum) != 32 {
		return archive{}, bad
	}
	u.Fragment = ""
	return archive{what: path.Base(u.Path), address: u.String(), sha256: strings.ToLower(digest)}, nil
}

// shown is the address without a password.
func (a archive) shown() string {
	u, err := url.Parse(a.address)
	if err != nil {
		return "its address"
	}
	return u.Redacted()
}

// sizeText is a number of bytes for people, -1 where it is not known.
func sizeText(bytes int64) string {
	if bytes < 0 {
		return "of unknown size"
	}
	return fmt.Sprintf("%.1f MB", float64(bytes)/1e6)
}
