package bag

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
)

// WriterOptions are the choices of one package; the zero value is the usual.
type WriterOptions struct {
	NoBOM       bool               // leave out the byte order mark that spreadsheets want
	RowsPerFile int64              // a table with more is split; 0 is RowsPerFile
	Key         ed25519.PrivateKey // nil: the package is not signed, and says so
	Notes       string             // a paragraph for README.txt
	Pages       []string           // short tables that Book shows, each as a page
}

// RowsPerFile keeps every file within a spreadsheet's 1,048,576 lines.
const RowsPerFile = 1_000_000

// deflateLevel is flate.BestSpeed: on 100,000 invented jobs it took under half
// of the processor time of the default level, for 12 % more bytes.
const deflateLevel = flate.BestSpeed

// unsigned is what bag-info.txt says in place of a fingerprint.
const unsigned = "none"

// Names of the tag files.
const (
	bagitName       = "bagit.txt"
	bagInfoName     = "bag-info.txt"
	readmeName      = "README.txt"
	manifestName    = "manifest-sha256.txt"
	tagManifestName = "tagmanifest-sha256.txt"
	signatureName   = tagManifestName + ".sig"
	descriptorName  = "data/datapackage.json"
	bagitText       = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
)

// A Writer writes one package, front to back, in memory that does not grow
// with the rows: first every table in the order given, then views, then Close.
// After an error it writes nothing more, and Close returns that error; the
// caller then throws away what was written.
type Writer struct {
	head    Head
	layouts []*layout
	opts    WriterOptions
	out     *tally
	zip     *zip.Writer
	payload []listed
	tags    []listed
	files   map[string][]string // of each table
	rows    map[string]int64
	control [][]string
	views   []string
	kept    []*keptRows
	books   []viewJSON
	figures string // of the front page, for README.txt
	changed int64
	open    *Sheet
	err     error
}

// Written says what Close left behind.
type Written struct {
	SHA256       string // of the whole file
	Bytes        int64
	ChangedCells int64
	Rows         map[string]int64 // of each table
}

// NewWriter begins a package. The tables must hold ReconciliationTable.
func NewWriter(out io.Writer, head Head, tables []Table, opts WriterOptions) (*Writer, error) {
	if opts.RowsPerFile == 0 {
		opts.RowsPerFile = RowsPerFile
	}
	layouts, err := newLayouts(tables)
	rec := tableNamed(tables, reconciliationName)
	switch err = errors.Join(head.check(), err, CheckTables(tables)); {
	case err != nil:
	case rec == nil || !reflect.DeepEqual(rec.Columns, ReconciliationTable().Columns):
		err = fmt.Errorf("table %q: it is missing, or has other columns than ReconciliationTable", reconciliationName)
	case opts.RowsPerFile < 1 || opts.RowsPerFile > maxRows:
		err = fmt.Errorf("rows per file: %d; 1 to %d are possible", opts.RowsPerFile, maxRows)
	case opts.Key != nil && len(opts.Key) != ed25519.PrivateKeySize:
		err = fmt.Errorf("key: %d bytes; an Ed25519 private key has %d", len(opts.Key), ed25519.PrivateKeySize)
	}
	var kept []*keptRows
	for _, name := range opts.Pages {
		t := tableNamed(tables, name)
		if t == nil {
			err = errors.Join(err, fmt.Errorf("page %q: there is no such table", name))
			continue
		}
		kept = append(kept, &keptRows{table: *t})
	}
	if err != nil {
		return nil, fmt.Errorf("bag: %w", err)
	}
	t := newTally(out)
	w := &Writer{head: head, layouts: layouts, opts: opts, out: t, zip: zip.NewWriter(t), files: map[string][]string{}, rows: map[string]int64{}, kept: kept}
	w.zip.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) {
		return flate.NewWriter(out, deflateLevel)
	})
	w.tag(bagitName, []byte(bagitText))
	return w, w.err
}

// Table begins the next table and says how many rows will come: the file is
// split by that number, and another number of rows is an error, so that a row
// lost on the way is not lost in silence.
func (w *Writer) Table(name string, rows int64) (*Sheet, error) {
	if w.err != nil {
		return nil, w.err
	}
	done := len(w.files)
	switch {
	case w.open != nil:
		return nil, w.fail(fmt.Errorf("table %q: %q is still open", name, w.open.layout.Name))
	case done >= len(w.layouts) || w.layouts[done].Name != name:
		return nil, w.fail(fmt.Errorf("table %q: not the next in order", name))
	case rows < 0:
		return nil, w.fail(fmt.Errorf("table %q: %d rows announced", name, rows))
	}
	w.open = newSheet(w, w.layouts[done], rows)
	w.rows[name] = rows
	return w.open, w.err
}

// View adds view/NAME, the same figures for reading. It is a tag file of the
// bag: covered by the signature, but no data.
func (w *Writer) View(name string, content io.Reader) error {
	switch {
	case w.err != nil:
		return w.err
	case w.open != nil || len(w.files) < len(w.layouts):
		return w.fail(fmt.Errorf("view %q: views come after all tables", name))
	case !viewForm.MatchString(name):
		return w.fail(fmt.Errorf("view %q: the name is not letters, digits, dashes, underscores and a suffix", name))
	}
	m := w.member("view/" + name)
	if _, err := io.Copy(m, content); err != nil {
		return w.fail(err)
	}
	w.tags = append(w.tags, m.listed())
	w.views = append(w.views, "view/"+name)
	return w.err
}

// Book lays out the front page from these lines, which README.txt repeats, and
// a page for each of the tables that were kept, and lets write put them into
// view/NAME as a workbook. A nil write leaves the workbook out.
func (w *Writer) Book(name string, lines []Line, write func(io.Writer, *Book) error) error {
	switch {
	case w.err != nil:
		return w.err
	case w.open != nil || len(w.files) < len(w.layouts):
		return w.fail(fmt.Errorf("view %q: views come after all tables", name))
	}
	book, err := bookOf(w.head, lines, w.kept)
	if err != nil {
		return w.fail(err)
	}
	w.figures = book.figures()
	if write == nil {
		return nil
	}
	var workbook bytes.Buffer
	if err := write(&workbook, book); err != nil {
		return w.fail(fmt.Errorf("view %q: %w", name, err))
	}
	w.books = append(w.books, viewJSON{Path: "view/" + name, Resources: w.opts.Pages, Lines: lines})
	return w.View(name, &workbook)
}

// Close writes the control totals, the descriptor, the manifests and the
// signature.
func (w *Writer) Close() (Written, error) {
	if w.err == nil && (w.open != nil || len(w.files) < len(w.layouts)) {
		_ = w.fail(fmt.Errorf("%d of %d tables were written", len(w.files), len(w.layouts)))
	}
	if w.err != nil {
		return Written{}, w.err
	}
	var tables []Table
	for _, l := range w.layouts {
		tables = append(tables, l.Table)
	}
	control := ControlTable(tables)
	tables = append(tables, control)
	w.writeControl(control)
	descriptor, err := descriptorOf(w.head, tables, w.files, w.books)
	if err != nil {
		return Written{}, w.fail(err)
	}
	w.payload = append(w.payload, w.whole(descriptorName, descriptor))
	c := counts{streams: int64(len(w.payload)), changed: w.changed, signer: unsigned}
	for _, f := range w.payload {
		c.octets += f.size
	}
	if w.opts.Key != nil {
		c.signer = sshKeyType + " " + Fingerprint(w.opts.Key.Public().(ed25519.PublicKey))
	}
	w.tag(readmeName, readme(w.head, tables, w.files, w.rows, c, w.opts.Notes, w.figures, w.views))
	w.tag(bagInfoName, w.head.bagInfo(c))
	w.tag(manifestName, manifestOf(w.payload))
	tags := manifestOf(w.tags)
	w.whole(tagManifestName, tags)
	if w.opts.Key != nil {
		w.whole(signatureName, sign(w.opts.Key, tags))
	}
	if w.err == nil {
		_ = w.fail(w.zip.Close())
	}
	return Written{SHA256: w.out.hex(), Bytes: w.out.size, ChangedCells: w.changed, Rows: w.rows}, w.err
}

func (w *Writer) writeControl(control Table) {
	l, err := newLayout(control)
	if err != nil {
		_ = w.fail(err)
		return
	}
	lines := w.control // of the tables; the control table has no line for itself
	w.rows[controlName] = int64(len(lines))
	s := newSheet(w, l, int64(len(lines)))
	for _, line := range lines {
		if s.cells(line); s.End() != nil {
			return
		}
	}
	s.Close()
}

// fail keeps the first error.
func (w *Writer) fail(err error) error {
	if w.err == nil && err != nil {
		w.err = fmt.Errorf("bag: %s: %w", w.head.Name(), err)
	}
	return w.err
}

func manifestOf(files []listed) []byte {
	var b strings.Builder
	for _, f := range files {
		b.WriteString(f.sha256 + "  " + f.path + "\n")
	}
	return []byte(b.String())
}
