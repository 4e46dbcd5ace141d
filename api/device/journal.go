package device

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

// A Journal keeps lines. Append returns when they are durable.
type Journal interface {
	Read() ([][]byte, error)
	Append(lines ...[]byte) error
}

// line is one line of the journal: a note as it stands now, the end of one,
// or the device's mark. The last line of a key counts.
type line struct {
	Note   *note  `json:"note,omitzero"`
	Forget string `json:"forget,omitzero"`
	Mark   *mark  `json:"mark,omitzero"`
}

func (d *Device) load() error {
	if d.o.Journal == nil {
		return nil
	}
	lines, err := d.o.Journal.Read()
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	for i, text := range lines {
		var l line
		if err := json.Unmarshal(text, &l); err != nil {
			return fmt.Errorf("line %d of the journal: %w", i+1, err)
		}
		switch {
		case l.Note != nil:
			d.notes[l.Note.key()] = l.Note
		case l.Mark != nil:
			d.mark = *l.Mark
		case l.Forget != "":
			kind, id, _ := strings.Cut(l.Forget, "/")
			if u, err := domain.ParseUUID(id); err == nil {
				delete(d.notes, key{domain.Kind(kind), u})
			}
		}
	}
	return nil
}

func (d *Device) append(lines ...line) error {
	if d.o.Journal == nil {
		return nil
	}
	texts := make([][]byte, len(lines))
	for i := range lines {
		text, err := json.Marshal(&lines[i])
		if err != nil {
			return err
		}
		texts[i] = text
	}
	return d.o.Journal.Append(texts...)
}

func (d *Device) save(notes ...*note) error {
	lines := make([]line, len(notes))
	for i, n := range notes {
		lines[i] = line{Note: n}
	}
	return d.append(lines...)
}

func (d *Device) saveMark() error {
	m := d.mark
	return d.append(line{Mark: &m})
}

func (d *Device) forget(k key) error {
	delete(d.notes, k)
	return d.append(line{Forget: k.String()})
}

// Memory is a journal for tests: it outlives the Device, not the process.
type Memory struct{ lines [][]byte }

// Read gives all lines.
func (m *Memory) Read() ([][]byte, error) { return m.lines, nil }

// Append keeps the lines.
func (m *Memory) Append(lines ...[]byte) error {
	m.lines = append(m.lines, lines...)
	return nil
}

// File is a journal in the file of this name.
type File string

// Read gives all lines of the file; none when there is no file yet. A last line
// without an end is cut off: the phone died while Append wrote it, and the next
// one must not follow upon half of it.
func (f File) Read() ([][]byte, error) {
	text, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if whole := bytes.LastIndexByte(text, '\n') + 1; whole < len(text) {
		if err := os.Truncate(string(f), int64(whole)); err != nil {
			return nil, err
		}
		text = text[:whole]
	}
	var lines [][]byte
	for l := range bytes.Lines(text) {
		lines = append(lines, bytes.TrimSpace(l))
	}
	return lines, nil
}

// Append writes the lines and syncs them to the disk.
func (f File) Append(lines ...[]byte) (err error) {
	file, err := os.OpenFile(string(f), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	out := bufio.NewWriter(file)
	for _, l := range lines {
		_, _ = out.Write(l) // the first error stays and Flush gives it
		_ = out.WriteByte('\n')
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return file.Sync()
}

// Compact rewrites a device's file with what counts, so that it does not grow
// for ever. A crash leaves the old file or the new one.
func (d *Device) Compact(f File) error {
	temporary := File(filepath.Join(filepath.Dir(string(f)), "."+filepath.Base(string(f))+".new"))
	if err := os.Remove(string(temporary)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	whole := &Device{o: Options{Journal: temporary}, mark: d.mark}
	if err := errors.Join(whole.saveMark(), whole.save(d.which(func(*note) bool { return true })...)); err != nil {
		return err
	}
	return os.Rename(string(temporary), string(f))
}
