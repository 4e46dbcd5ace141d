package docs

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
)

// A piece of a page's text. Templates escape it: what a description says can
// never become markup of its own.
type piece struct {
	Text, Style, Link string
}

var marked = regexp.MustCompile("`[^`]+`|\\*\\*[^*]+\\*\\*|\\*[^*\\s][^*]*\\*")

// paragraphs reads the few marks that the contract's descriptions use: empty
// lines between paragraphs, `code`, **strong** and *emphasis*.
func paragraphs(text string) (list [][]piece) {
	for block := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		if line := strings.Join(strings.Fields(block), " "); line != "" {
			list = append(list, pieces(line))
		}
	}
	return list
}

func pieces(line string) (list []piece) {
	for line != "" {
		at := marked.FindStringIndex(line)
		if at == nil {
			return append(list, piece{Text: line})
		}
		if at[0] > 0 {
			list = append(list, piece{Text: line[:at[0]]})
		}
		switch mark := line[at[0]:at[1]]; {
		case mark[0] == '`':
			list = append(list, piece{Text: strings.Trim(mark, "`"), Style: "code"})
		case strings.HasPrefix(mark, "**"):
			list = append(list, piece{Text: strings.Trim(mark, "*"), Style: "strong"})
		default:
			list = append(list, piece{Text: strings.Trim(mark, "*"), Style: "em"})
		}
		line = line[at[1]:]
	}
	return list
}

// A tree is a JSON object whose members keep the order in which somebody
// thought fit to write them.
type tree struct {
	names  []string
	values map[string]any
}

// A numeral is a number as it is written.
type numeral string

// readTree reads one value: *tree, []any, string, bool, numeral or nil.
func readTree(dec *jsontext.Decoder) (any, error) {
	switch dec.PeekKind() {
	case '{':
		t := &tree{values: map[string]any{}}
		if _, err := dec.ReadToken(); err != nil {
			return nil, err
		}
		for dec.PeekKind() != '}' {
			name, err := dec.ReadToken()
			if err != nil {
				return nil, err
			}
			key := name.String()
			if t.values[key], err = readTree(dec); err != nil {
				return nil, err
			}
			t.names = append(t.names, key)
		}
		_, err := dec.ReadToken()
		return t, err
	case '[':
		list := []any{}
		if _, err := dec.ReadToken(); err != nil {
			return nil, err
		}
		for dec.PeekKind() != ']' {
			value, err := readTree(dec)
			if err != nil {
				return nil, err
			}
			list = append(list, value)
		}
		_, err := dec.ReadToken()
		return list, err
	}
	token, err := dec.ReadToken()
	if err != nil {
		return nil, err
	}
	switch token.Kind() {
	case 't', 'f':
		return token.Bool(), nil
	case 'n':
		return nil, nil
	case '0':
		return numeral(token.String()), nil
	}
	return token.String(), nil
}

// indented writes a value as people read JSON.
func indented(b *strings.Builder, value any, margin string) {
	deeper := margin + "  "
	switch v := value.(type) {
	case *tree:
		if len(v.names) == 0 {
			b.WriteString("{}")
			return
		}
		for i, name := range v.names {
			open := ",\n"
			if i == 0 {
				open = "{\n"
			}
			b.WriteString(open + deeper + quoted(name) + ": ")
			indented(b, v.values[name], deeper)
		}
		b.WriteString("\n" + margin + "}")
	case []any:
		b.WriteByte('[')
		for i, item := range v {
			if i > 0 {
				b.WriteString(", ")
			}
			indented(b, item, margin)
		}
		b.WriteByte(']')
	case string:
		b.WriteString(quoted(v))
	default: // numeral, bool, nil
		if v == nil {
			v = "null"
		}
		fmt.Fprint(b, v)
	}
}

func quoted(text string) string {
	out, err := jsontext.AppendQuote(nil, text)
	if err != nil {
		return `"?"` // the contract's text was read as JSON, so it is UTF-8
	}
	return string(out)
}

// at walks down; nil when the way ends.
func (t *tree) at(names ...string) any {
	var value any = t
	for _, name := range names {
		inner, ok := value.(*tree)
		if !ok || inner == nil {
			return nil
		}
		value = inner.values[name]
	}
	return value
}

func (t *tree) tree(names ...string) *tree {
	inner, _ := t.at(names...).(*tree)
	if inner == nil {
		return &tree{}
	}
	return inner
}

func (t *tree) text(names ...string) string {
	text, _ := t.at(names...).(string)
	return text
}

func (t *tree) list(names ...string) []any {
	list, _ := t.at(names...).([]any)
	return list
}

func (t *tree) truth(names ...string) bool {
	truth, _ := t.at(names...).(bool)
	return truth
}
