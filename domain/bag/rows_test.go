package bag_test

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"ductledger/domain/bag"
)

// Rows of a split table come in order, in the columns asked for, as they were
// before the guard; of a table or column that is not there, and of a file that
// is no package, nothing.
func TestRows(t *testing.T) {
	c := small()
	c.opts.RowsPerFile = 2
	file, _ := c.write(t)
	var names []string
	read := func(file []byte, table string, columns ...string) error {
		return bag.Rows(bytes.NewReader(file), int64(len(file)), table, columns, func(cells []string) error {
			names = append(names, cells...)
			return nil
		})
	}
	if err := read(file, "contractors", "name", "contractor_id"); err != nil {
		t.Fatal(err)
	}
	want := []string{"Ducts & \"Sons\", invented", "C1", "=HYPERLINK(\"http://example.org\")", "C2", "Göteborg\r\nRör", "C3"}
	if !slices.Equal(names, want) {
		t.Errorf("%q, want %q", names, want)
	}
	for name, err := range map[string]error{
		"no such table": read(file, "job", "job_id"), "no such column": read(file, "jobs", "color"), "no package": read(file[:len(file)/2], "jobs", "job_id"),
	} {
		if !errors.Is(err, bag.ErrUnreadable) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
