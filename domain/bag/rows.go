package bag

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// Rows calls use with each row of a table of a package, its cells in the order
// of the columns that are named and without their guard. The package is not
// verified: it is one that was when it was kept.
func Rows(r io.ReaderAt, size int64, table string, columns []string, use func(cells []string) error) error {
	c, err := openContainer(r, size, DefaultMaxBytes)
	if err != nil {
		return err
	}
	found := false
	for _, path := range c.paths {
		name, isTable := strings.CutSuffix(strings.TrimPrefix(path, "data/"), ".csv")
		if part := strings.TrimPrefix(name, table); !isTable || part == name || part != "" && strings.Trim(part, "-0123456789") != "" {
			continue
		}
		found = true
		if err := c.each(path, func(in io.Reader) error { return rowsOf(newCSVReader(in), columns, use) }); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	if !found {
		return unreadable("there is no table %s", table)
	}
	return nil
}

func rowsOf(in *csvReader, columns []string, use func(cells []string) error) error {
	header, err := in.next()
	if err != nil {
		return unreadable("%v", err)
	}
	at := make([]int, len(columns))
	for i, name := range columns {
		at[i] = slices.IndexFunc(header, func(cell []byte) bool { return string(cell) == name })
		if at[i] < 0 {
			return unreadable("there is no column %s", name)
		}
	}
	width := len(header)
	cells := make([]string, len(columns))
	for {
		row, err := in.next()
		if err == io.EOF {
			return nil
		}
		if err == nil && len(row) != width {
			err = errDialect
		}
		if err != nil {
			return unreadable("%v", err)
		}
		for i, n := range at {
			cells[i] = Unguard(string(row[n]))
		}
		if err := use(cells); err != nil {
			return err
		}
	}
}
