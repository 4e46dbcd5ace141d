package pack_test

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"ductledger/domain/pack"
)

// Rows of a table come in order, in the columns asked for, as they were before
// the guard but on one line; of a table or column that is not there, and of a file that
// is no package, nothing.
func TestRows(t *testing.T) {
	file, _ := small().write(t)
	var names []string
	read := func(file []byte, table string, columns ...string) error {
		return pack.Read(bytes.NewReader(file), int64(len(file)), table, columns, func(cells []string) error {
			names = append(names, cells...)
			return nil
		})
	}
	if err := read(file, "contractors", "name", "contractor_id"); err != nil {
		t.Fatal(err)
	}
	want := []string{"Ducts & \"Sons\", invented", "C1", "=HYPERLINK(\"http://example.org\")", "C2", "Göteborg Rör", "C3"}
	if !slices.Equal(names, want) {
		t.Errorf("%q, want %q", names, want)
	}
	for name, err := range map[string]error{
		"no such table": read(file, "job", "job_id"), "no such column": read(file, "jobs", "color"), "no package": read(file[:len(file)/2], "jobs", "job_id"),
	} {
		if !errors.Is(err, pack.ErrUnreadable) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
