package bag

import (
	"encoding/xml"
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
)

// A sheetCell is a cell as it stands in the workbook.
type sheetCell struct {
	at          string // B7
	row, column int    // from 1
	typ         string // n, or s for any text
	text        string
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
