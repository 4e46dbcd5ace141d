package bag

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math/big"
	"regexp"
	"strconv"
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

// A sheetCell is a cell as it stands in the workbook.
type sheetCell struct {
	at          string // B7
	row, column int    // from 1
	typ         string // n, or s for any text
	text        string
}

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

// plainElements of a sheet show cells as they are.
var plainElements = map[string]bool{
	"worksheet": true, "sheetPr": true, "pageSetUpPr": true, "outlinePr": true, "tabColor": true, "dimension": true, "sheetViews": true, "sheetView": true, "pane": true, "selection": true,
	"sheetFormatPr": true, "cols": true, "col": true, "sheetData": true, "row": true, "c": true, "v": true, "is": true, "t": true, "r": true, "rPr": true,
	"printOptions": true, "pageMargins": true, "pageSetup": true, "headerFooter": true, "oddHeader": true, "oddFooter": true,
}

// eachCell calls use with every cell of a sheet that holds something.
func (s *spreadsheet) eachCell(part string, use func(sheetCell) error) error {
	var cell sheetCell
	var text strings.Builder
	inside := false
	return s.elements(part, func(t xml.Token) error {
		switch e := t.(type) {
		case xml.StartElement:
			name := e.Name.Local
			if hidden := attribute(e, "hidden"); hidden != "" && hidden != "0" && hidden != "false" {
				return badBook("it hides rows or columns")
			}
			if !plainElements[name] {
				return badBook("cell %s or what follows it has <%.40s>", cell.at, name)
			}
			if name == "c" {
				cell = sheetCell{at: attribute(e, "r"), typ: attribute(e, "t")}
				text.Reset()
				var err error
				if cell.row, cell.column, err = placeOf(cell.at); err != nil {
					return err
				}
			}
			inside = name == "v" || name == "t"
		case xml.CharData:
			if inside {
				text.Write(e)
			}
		case xml.EndElement:
			inside = false
			if e.Name.Local != "c" || text.Len() == 0 {
				return nil
			}
			cell.text = text.String()
			if err := s.resolve(&cell); err != nil {
				return err
			}
			return use(cell)
		}
		return nil
	})
}

// resolve gives a cell's own text in place of its number among the shared.
func (s *spreadsheet) resolve(c *sheetCell) error {
	switch c.typ {
	case "", "n":
		c.typ = "n"
	case "inlineStr", "str":
		c.typ, c.text = "s", unescapeText(c.text)
	case "s":
		n, err := strconv.Atoi(c.text)
		if err != nil || n < 0 || n >= len(s.shared) {
			return badBook("cell %s names text %.20q, which is not there", c.at, c.text)
		}
		c.text = s.shared[n]
	default:
		return badBook("cell %s is of type %.20q", c.at, c.typ)
	}
	return nil
}

// placeOf reads a place such as B7.
func placeOf(at string) (row, column int, err error) {
	i := 0
	for ; i < len(at) && i < 4 && at[i] >= 'A' && at[i] <= 'Z'; i++ {
		column = column*26 + int(at[i]-'A') + 1
	}
	n, ok := number([]byte(at[i:]))
	if column == 0 || !ok || n < 1 || len(at)-i > 7 {
		return 0, 0, badBook("%.20q is no place of a cell", at)
	}
	return int(n), column, nil
}

// EscapeText writes a text so that XML 1.0 can hold it: a character that it
// cannot is written _x0007_, and what looks like that is written _x005F_x0007_
// (ST_Xstring of ISO/IEC 29500-1, 22.9.2.19 [mem]).
func EscapeText(text string) string {
	var b strings.Builder
	for i, r := range text {
		switch {
		case r < ' ' && r != '\t' && r != '\n', r == 0xfffe, r == 0xffff:
			fmt.Fprintf(&b, "_x%04X_", r)
		case r == '_' && escapeForm.MatchString(text[i:]):
			b.WriteString("_x005F_")
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

var (
	escapeForm = regexp.MustCompile(`^_x[0-9A-Fa-f]{4}_`)
	escapes    = regexp.MustCompile(`_x[0-9A-Fa-f]{4}_`)
)

func unescapeText(text string) string {
	return escapes.ReplaceAllStringFunc(text, func(m string) string {
		n, _ := strconv.ParseUint(m[2:6], 16, 32)
		return string(rune(n))
	})
}

var cellNumber = regexp.MustCompile(`^-?[0-9]{1,25}(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,2})?$`)

// exact reads a number as a spreadsheet stores it, without rounding.
func exact(text string) (*big.Rat, bool) {
	if !cellNumber.MatchString(text) {
		return nil, false
	}
	return new(big.Rat).SetString(text)
}
