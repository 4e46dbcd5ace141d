package bag

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

const (
	bom     = "\xef\xbb\xbf"
	maxLine = 4 << 20 // bytes of one record
)

// appendRecord appends one CSV record (RFC 4180). A lone empty cell is
// written "", since an empty line is skipped by most readers.
func appendRecord(b []byte, cells [][]byte) []byte {
	for i, cell := range cells {
		if i > 0 {
			b = append(b, ',')
		}
		if !needsQuotes(cell) && !(len(cells) == 1 && len(cell) == 0) {
			b = append(b, cell...)
			continue
		}
		b = append(b, '"')
		for _, c := range cell {
			if c == '"' {
				b = append(b, '"')
			}
			b = append(b, c)
		}
		b = append(b, '"')
	}
	return append(b, '\r', '\n')
}

func needsQuotes(cell []byte) bool {
	for _, c := range cell {
		if c == '"' || c == ',' || c == '\r' || c == '\n' {
			return true
		}
	}
	return len(cell) > 0 && (cell[0] == ' ' || cell[len(cell)-1] == ' ')
}

func (t Table) header() [][]byte {
	cells := make([][]byte, len(t.Columns))
	for i, c := range t.Columns {
		cells[i] = []byte(c.Name)
	}
	return cells
}

// A csvReader reads the package's dialect and nothing else. encoding/csv is
// not used since it turns CRLF inside a cell into LF: the round trip would
// not be exact.
type csvReader struct {
	in    *bufio.Reader
	buf   []byte
	ends  []int
	cells [][]byte
}

func newCSVReader(r io.Reader) *csvReader {
	in := bufio.NewReaderSize(r, 64<<10)
	if head, err := in.Peek(len(bom)); err == nil && string(head) == bom {
		_, _ = in.Discard(len(bom)) // they were seen
	}
	return &csvReader{in: in}
}

// errDialect is what the file's author got wrong, in contrast to a file that
// cannot be read.
var errDialect = errors.New("is not in the package's CSV dialect")

// next gives the cells of one record, valid until the next call; io.EOF after
// the last.
func (r *csvReader) next() ([][]byte, error) {
	r.buf, r.ends = r.buf[:0], r.ends[:0]
	first := true
	for {
		c, err := r.in.ReadByte()
		if err == io.EOF && first {
			return nil, io.EOF
		}
		if err != nil {
			return nil, early(err)
		}
		first = false
		if c == '"' {
			if err := r.quoted(); err != nil {
				return nil, err
			}
			if c, err = r.in.ReadByte(); err != nil {
				return nil, early(err)
			}
		} else {
			for c != ',' && c != '\r' {
				if c == '"' || c == '\n' {
					return nil, fmt.Errorf("%w: a quote or a line break stands in a cell without quotes", errDialect)
				}
				if r.buf = append(r.buf, c); len(r.buf) > maxLine {
					return nil, fmt.Errorf("%w: a row is longer than %d bytes", errDialect, maxLine)
				}
				if c, err = r.in.ReadByte(); err != nil {
					return nil, early(err)
				}
			}
		}
		if r.ends = append(r.ends, len(r.buf)); len(r.ends) > maxColumns {
			return nil, fmt.Errorf("%w: a row has more than %d cells", errDialect, maxColumns)
		}
		switch c {
		case ',':
			continue
		case '\r':
			if c, err = r.in.ReadByte(); err != nil {
				return nil, early(err)
			}
			if c == '\n' {
				return r.split(), nil
			}
		}
		return nil, fmt.Errorf("%w: after a cell comes a comma or CRLF", errDialect)
	}
}

// quoted reads up to and with the closing quote.
func (r *csvReader) quoted() error {
	for {
		c, err := r.in.ReadByte()
		if err != nil {
			return early(err)
		}
		if c == '"' {
			if next, err := r.in.Peek(1); err != nil || next[0] != '"' {
				return nil
			}
			_, _ = r.in.ReadByte() // it was seen
		}
		if r.buf = append(r.buf, c); len(r.buf) > maxLine {
			return fmt.Errorf("%w: a row is longer than %d bytes", errDialect, maxLine)
		}
	}
}

func (r *csvReader) split() [][]byte {
	r.cells = r.cells[:0]
	from := 0
	for _, to := range r.ends {
		r.cells = append(r.cells, r.buf[from:to:to])
		from = to
	}
	return r.cells
}

func early(err error) error {
	if err == io.EOF {
		return fmt.Errorf("%w: the last row does not end in CRLF", errDialect)
	}
	return err
}

func sameCells(a, b [][]byte) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if !bytes.Equal(a[i], b[i]) {
			return false
		}
	}
	return true
}
