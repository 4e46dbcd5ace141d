package storagetest

import (
	"bytes"
	"net/http"
	"os/exec"
	"syscall"
	"testing"
	"time"
)

// A server of object storage on files, written in Go and by others: what we
// send is held to somebody else's reading of the protocol.
const s3Server = "github.com/versity/versitygw/cmd/versitygw@v1.8.0"

// The keys that the server of object storage takes.
const (
	BucketKey    = "access"
	BucketSecret = "secret-of-the-test"
)

// ServeBucket starts the server over a folder, whose folders are its buckets, and
// gives a way to end it.
func ServeBucket(t testing.TB, dir, address string) (stop func()) {
	t.Helper()
	cmd := exec.Command(Tool(t, s3Server), "--port", address, "--access", BucketKey, "--secret", BucketSecret, "posix", "--nometa", dir)
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stop = func() {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		_ = cmd.Wait()
	}
	for deadline := time.Now().Add(2 * time.Minute); ; {
		if answer, err := http.Get("http://" + address + "/"); err == nil {
			_ = answer.Body.Close()
			return stop
		}
		if time.Now().After(deadline) {
			stop()
			t.Fatalf("object storage does not answer:\n%s", log.String())
		}
		time.Sleep(50 * time.Millisecond)
	}
}
