package docs

import (
	"fmt"
	"maps"
	"slices"
	"strconv"

	"ductledger/api/frame"
	"ductledger/domain"
)

// topic is a page about one thing that all operations have in common.
type topic struct {
	Name, Title   string
	X             map[string]*Exchange
	Limits        []frame.Limit
	Roles         []domain.Role
	Subjects      []*subject
	Schema        string
	Since         []revision
	Kinds         int
	Count         int // of operations
	Meets         meets
	Again         []problemPage // after which the same may be sent again
	OriginAnswers string        // header fields that a script of another origin may read
}

// meets are the limits that a field app meets.
type meets struct{ Items, Body, Page, Picture, Wait string }

// meetsOf reads them from the contract and the table of limits.
func meetsOf(x *index) meets {
	schemas := x.doc.tree("components", "schemas")
	m := meets{Items: numeralOf(schemas.at("Batch", "properties", "items", "maxItems")), Page: strconv.Itoa(frame.MaxPage),
		Picture: bytesText(numeralOf(schemas.at("Photo", "properties", "bytes_count", "maximum")))}
	for _, l := range frame.LimitTable() {
		if l.Name == "body_bytes" {
			m.Body = bytesText(strconv.FormatFloat(l.Default, 'f', -1, 64))
		}
	}
	for _, p := range x.doc.list("paths", "/v1/changes", "get", "parameters") {
		if parameter := x.follow(p); parameter.text("name") == "wait_s" {
			m.Wait = numeralOf(parameter.at("schema", "maximum"))
		}
	}
	return m
}

func numeralOf(value any) string {
	n, _ := value.(numeral)
	return string(n)
}

// bytesText writes a number of bytes in MiB.
func bytesText(bytes string) string {
	n, _ := strconv.ParseFloat(bytes, 64)
	return strconv.FormatFloat(n/(1<<20), 'f', -1, 64) + " MiB"
}

// revision is what came with a revision of the contract.
type revision struct {
	Revision int
	Members  []string
}

// topicTitles are the topics by the last part of their address.
var topicTitles = [][2]string{{"authentication", "Authentication"}, {"roles", "Roles"}, {"limits", "Limits"}, {"paging", "Paging"},
	{"errors", "Errors"}, {"versioning", "Versions"}, {"changelog", "What came when"}}

func topicsOf(x *index) []topic {
	var list []topic
	schema, _ := x.doc.at("info", "x-schema").(numeral)
	since := revisionsOf(x.doc)
	var again []problemPage
	for _, p := range problemPages() {
		if p.Again != notAgain {
			again = append(again, p)
		}
	}
	for _, t := range topicTitles {
		list = append(list, topic{Name: t[0], Title: t[1], X: x.exchanges, Limits: frame.LimitTable(), Roles: domain.Roles, Subjects: x.Subjects,
			Schema: string(schema), Since: since, Kinds: len(domain.Kinds), Count: len(x.operations),
			Meets: meetsOf(x), Again: again, OriginAnswers: frame.OriginAnswers})
	}
	return list
}

// Open tells whether a role may call the operation.
func (o *operation) Open(role domain.Role) bool {
	return len(o.Roles) == 0 || slices.Contains(o.Roles, string(role))
}

// revisionsOf collects every member that says since when it is there, the newest first.
func revisionsOf(doc *tree) (list []revision) {
	by := map[int][]string{}
	var walk func(where string, value any)
	walk = func(where string, value any) {
		switch v := value.(type) {
		case *tree:
			if since, ok := v.values["x-since"].(numeral); ok {
				n, _ := strconv.Atoi(string(since))
				by[n] = append(by[n], where)
			}
			for _, name := range v.names {
				inside := where
				switch name {
				case "properties", "schemas", "components", "items", "paths", "parameters":
				default:
					inside += fmt.Sprintf(".%s", name)
				}
				walk(inside, v.values[name])
			}
		case []any:
			for _, item := range v {
				walk(where, item)
			}
		}
	}
	walk("", doc.tree("components", "schemas"))
	for _, n := range slices.Backward(slices.Sorted(maps.Keys(by))) {
		list = append(list, revision{n, by[n]})
	}
	return list
}

// NotAgain is what is said of every problem beside Again.
func (topic) NotAgain() string { return notAgain }
