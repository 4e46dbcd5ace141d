package migrations

import (
	"reflect"
	"strings"
	"testing"
)

func TestStatements(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string // line:text
	}{
		{"none", " \n-- only a word;\n/* ; */", nil},
		{"two", "a;\n b", []string{"1:a;", "2:b"}},
		{"strings", "select ';''', E'\\';', \"x;\"\"\";b", []string{"1:select ';''', E'\\';', \"x;\"\"\";", "1:b"}},
		{"body", "do $$ a; $x$ b; $x$ $$;\nb;", []string{"1:do $$ a; $x$ b; $x$ $$;", "2:b;"}},
		{"tag", "do $t$ a; $$ b; $t$;c", []string{"1:do $t$ a; $$ b; $t$;", "1:c"}},
		{"comments", "-- first;\n/* a; /* b; */ c; */ x -- y;\n;z", []string{"2:x -- y;\n;", "3:z"}},
		{"parameter", "select $1;b", []string{"1:select $1;", "1:b"}},
		{"unended", "select 'a; b", []string{"1:select 'a;", "1:b"}},
		{"unended body", "do $$ a; b", []string{"1:do $$ a; b"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []string
			for _, s := range statements(c.text) {
				got = append(got, string(rune('0'+s.line))+":"+s.text)
			}
			if !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestConcurrent(t *testing.T) {
	for text, want := range map[string]bool{
		"create index concurrently i on a (n)":   true,
		"-- not concurrently\ncreate index i;":   false,
		"comment on table a is 'CONCURRENTLY';":  false,
		"DROP INDEX /* x */ CONCURRENTLY old_i;": true,
	} {
		if got := concurrent(statements(text)); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}

// Whatever a file holds, splitting ends, loses nothing but what stands between
// statements, and keeps their order.
func FuzzStatements(f *testing.F) {
	f.Add("a; b 'c;' $$ d; $$ /* e; */ -- f;\n g")
	f.Add("E'\\")
	f.Add("/*/")
	f.Fuzz(func(t *testing.T, text string) {
		last := 0
		for _, s := range statements(text) {
			at := strings.Index(text[last:], s.text)
			if at < 0 || s.end > len(text) || s.end < last {
				t.Fatalf("%q is not in order in %q", s.text, text)
			}
			last = s.end
		}
	})
}
