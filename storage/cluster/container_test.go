package cluster

import (
	"os"
	"testing"
)

// containerOptions leave only the third way.
func containerOptions(temp string) Options {
	return Options{
		temp: temp, path: "/nowhere", places: []string{}, Fast: true,
		Image: os.Getenv("POSTGRES_IMAGE"), Database: "own",
	}
}

// needEngine skips where no engine answers or no image was named, except in CI
// with an image named: there both must be.
func needEngine(t *testing.T) {
	t.Helper()
	image := os.Getenv("POSTGRES_IMAGE")
	reason := engineMissing(t.Context())
	switch {
	case image == "":
		t.Skip("POSTGRES_IMAGE is not set, and no test downloads an image by itself")
	case reason != "" && os.Getenv("CI") == "true":
		t.Fatal("CI names an image, but " + reason)
	case reason != "":
		t.Skip(reason)
	}
}

func TestContainer(t *testing.T) {
	t.Parallel()
	needEngine(t)
	temp := tempFolder(t)
	c := mustStart(t, containerOptions(temp))
	conn := dial(t, c.URL(""))
	if got := ask(t, conn, "SHOW fsync"); got != "off" {
		t.Errorf("fsync is %s", got)
	}
	folders := entries(t, temp)
	if len(folders) != 1 || containersOf(t, folders[0]) == "" {
		t.Fatalf("the run has the folders %v and no container", folders)
	}
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if names := containersOf(t, folders[0]); names != "" {
		t.Errorf("left behind: %s", names)
	}
	if left := entries(t, temp); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestOrphanedContainerIsCleared(t *testing.T) {
	t.Parallel()
	needEngine(t)
	temp := tempFolder(t)
	kill(t, "container", temp)
	orphans := entries(t, temp)
	if len(orphans) != 1 || containersOf(t, orphans[0]) == "" {
		t.Fatalf("the killed run left the folders %v and no container", orphans)
	}
	clearOrphans(t.Context(), Options{temp: temp, Say: func(line string) { t.Log(line) }})
	if names := containersOf(t, orphans[0]); names != "" {
		t.Errorf("left behind: %s", names)
	}
	if left := entries(t, temp); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// containersOf lists the containers of the run with this folder.
func containersOf(t *testing.T, folder string) string {
	t.Helper()
	names, err := docker(t.Context(), nil, "ps", "--all", "--quiet", "--filter", "label=ductledger="+folder)
	if err != nil {
		t.Fatal(err)
	}
	return names
}
