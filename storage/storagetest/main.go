package storagetest

import (
	"fmt"
	"os"
	"sync/atomic"
	"testing"

	"go.uber.org/goleak"
)

// underMain says that Main runs the tests. A package that forgets it would
// leave a server behind.
var underMain atomic.Bool

// Main runs the package's tests, ends the server that they used, fails when a
// goroutine is left, and exits.
func Main(m *testing.M) { MainWith(m, func() {}) }

// MainWith is Main for a package that has something else to end: end is called
// after the last test.
func MainWith(m *testing.M, end func()) {
	underMain.Store(true)
	code := m.Run()
	end()
	if err := process.stop(); err != nil {
		fmt.Fprintln(os.Stderr, "storagetest: cannot end Postgres:", err)
		code = max(code, 1)
	}
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, "storagetest: goroutines are left:", err)
			code = 1
		}
	}
	os.Exit(code)
}
