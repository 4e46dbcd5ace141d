package pack

import "unicode/utf8"

// Guard makes a text safe to open in a spreadsheet: one that begins with
// = + - @, a tab, a line break, NUL, a full-width = + - @, or an apostrophe
// gets one apostrophe in front. A spreadsheet would run the first as a
// formula, on the reader's machine, with the reader's rights. Because a text
// that begins with an apostrophe gets one too, Unguard undoes it exactly.
//
// The list is that of OWASP's page on CSV injection [from memory].
func Guard(text string) string {
	if needsGuard(text) {
		return "'" + text
	}
	return text
}

// Unguard gives the text of a cell back: one leading apostrophe is taken away.
func Unguard(cell string) string {
	if cell != "" && cell[0] == '\'' {
		return cell[1:]
	}
	return cell
}

func needsGuard(text string) bool {
	if text == "" {
		return false
	}
	switch text[0] {
	case '=', '+', '-', '@', '\t', '\r', '\n', 0, '\'':
		return true
	}
	switch r, _ := utf8.DecodeRuneInString(text); r {
	case '＝', '＋', '－', '＠':
		return true
	}
	return false
}
