package bag

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
)

// Limits of a workbook that is read.
const (
	maxBookBytes = 32 << 20 // packed
	maxBookPart  = 64 << 20 // bytes of one part, unpacked
	maxBookText  = 64 << 20 // bytes of the shared strings together
)

// A spreadsheet is an open workbook (ISO/IEC 29500-1, SpreadsheetML). Only
// what a sheet of figures needs is read; all else is refused, since it could
// show another figure than the cell holds.
type spreadsheet struct {
	parts   map[string]*zip.File
	shared  []string
	formats []string    // number formats of its own
	sheets  []sheetPart // in the order of the tabs
}

type sheetPart struct{ name, part string }

var errBook = errors.New("is not a workbook of figures")

func badBook(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{errBook}, args...)...)
}

// bookParts are those that a workbook of figures has, besides its sheets.
var bookParts = map[string]bool{
	"[Content_Types].xml": true, "_rels/.rels": true, "docProps/app.xml": true, "docProps/core.xml": true, "xl/workbook.xml": true,
	"xl/_rels/workbook.xml.rels": true, "xl/styles.xml": true, "xl/theme/theme1.xml": true, "xl/sharedStrings.xml": true,
}

var sheetPartForm = regexp.MustCompile(`^xl/worksheets/sheet[0-9]{1,3}\.xml$`)

func openSpreadsheet(file []byte) (*spreadsheet, error) {
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		return nil, badBook("%v", err)
	}
	s := &spreadsheet{parts: map[string]*zip.File{}}
	for _, f := range z.File {
		if !bookParts[f.Name] && !sheetPartForm.MatchString(f.Name) {
			return nil, badBook("it holds %.100q", f.Name)
		}
		if s.parts[f.Name] != nil || f.UncompressedSize64 > maxBookPart {
			return nil, badBook("%q stands twice or is larger than %d bytes", f.Name, maxBookPart)
		}
		s.parts[f.Name] = f
	}
	for _, read := range []func() error{s.readSheets, s.readShared, s.readFormats} {
		if err := read(); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// elements calls use with every start and end of an element of a part, and
// with its text.
func (s *spreadsheet) elements(part string, use func(xml.Token) error) error {
	f := s.parts[part]
	if f == nil {
		return badBook("%q is missing", part)
	}
	in, err := f.Open()
	if err != nil {
		return badBook("%s: %v", part, err)
	}
	defer in.Close()
	d := xml.NewDecoder(io.LimitReader(in, maxBookPart+1))
	for {
		token, err := d.Token()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return badBook("%s: %v", part, err)
		}
		if err := use(token); err != nil {
			return err
		}
	}
}

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// readSheets reads the tabs, and where each of them leads.
func (s *spreadsheet) readSheets() error {
	target := map[string]string{}
	err := s.elements("xl/_rels/workbook.xml.rels", func(t xml.Token) error {
		if e, ok := t.(xml.StartElement); ok && e.Name.Local == "Relationship" {
			target[attribute(e, "Id")] = attribute(e, "Target")
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.elements("xl/workbook.xml", func(t xml.Token) error {
		e, ok := t.(xml.StartElement)
		if !ok || e.Name.Local != "sheet" {
			return nil
		}
		name, to := attribute(e, "name"), target[attribute(e, "id")]
		if state := attribute(e, "state"); state != "" && state != "visible" {
			return badBook("sheet %.40q is hidden", name)
		}
		part := strings.TrimPrefix(to, "/")
		if !strings.HasPrefix(part, "xl/") {
			part = "xl/" + part
		}
		s.sheets = append(s.sheets, sheetPart{name, part})
		return nil
	})
}

func (s *spreadsheet) readShared() error {
	if s.parts["xl/sharedStrings.xml"] == nil {
		return nil
	}
	var text strings.Builder
	inside, size := false, 0
	return s.elements("xl/sharedStrings.xml", func(t xml.Token) error {
		switch e := t.(type) {
		case xml.StartElement:
			inside = e.Name.Local == "t"
		case xml.CharData:
			if inside {
				text.Write(e)
			}
		case xml.EndElement:
			inside = false
			if e.Name.Local == "si" {
				if size += text.Len(); size > maxBookText {
					return badBook("its texts are longer than %d bytes", maxBookText)
				}
				s.shared = append(s.shared, unescapeText(text.String()))
				text.Reset()
			}
		}
		return nil
	})
}

func (s *spreadsheet) readFormats() error {
	return s.elements("xl/styles.xml", func(t xml.Token) error {
		if e, ok := t.(xml.StartElement); ok && e.Name.Local == "numFmt" {
			s.formats = append(s.formats, attribute(e, "formatCode"))
		}
		return nil
	})
}
