package pack

import (
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

const (
	profile        = "https://datapackage.org/profiles/2.0/datapackage.json"
	schemaProfile  = "https://datapackage.org/profiles/2.0/tableschema.json"
	dialectProfile = "https://datapackage.org/profiles/2.0/tabledialect.json"
)

// The shape of data/datapackage.json. Members named kind, unit, decimals and
// views are ours; the standard lets a descriptor carry more than it knows.
type (
	packageJSON struct {
		Schema      string         `json:"$schema"`
		Name        string         `json:"name"`
		Title       string         `json:"title"`
		Description string         `json:"description"`
		Version     string         `json:"version"`
		Created     string         `json:"created"`
		Resources   []resourceJSON `json:"resources"`
		Views       []viewJSON     `json:"views,omitempty"`
	}
	// viewJSON says what a workbook repeats: rows of its front sheet, then a
	// sheet for each resource. README.txt shows the first of these rows.
	viewJSON struct {
		Path      string     `json:"path,omitzero"` // in the package's folder, not below data/
		Resources []string   `json:"resources"`
		Lines     []FrontRow `json:"lines"`
	}
	resourceJSON struct {
		Name        string      `json:"name"`
		Type        string      `json:"type"`
		Title       string      `json:"title,omitzero"`
		Description string      `json:"description,omitzero"`
		Path        string      `json:"path"`
		Format      string      `json:"format"`
		Mediatype   string      `json:"mediatype"`
		Encoding    string      `json:"encoding"`
		Dialect     dialectJSON `json:"dialect"`
		Table       schemaJSON  `json:"schema"`
	}
	dialectJSON struct {
		Schema           string `json:"$schema"`
		Header           bool   `json:"header"`
		Delimiter        string `json:"delimiter"`
		LineTerminator   string `json:"lineTerminator"`
		QuoteChar        string `json:"quoteChar"`
		DoubleQuote      bool   `json:"doubleQuote"`
		SkipInitialSpace bool   `json:"skipInitialSpace"`
	}
	schemaJSON struct {
		Schema        string           `json:"$schema"`
		Fields        []fieldJSON      `json:"fields"`
		MissingValues []string         `json:"missingValues"`
		PrimaryKey    []string         `json:"primaryKey"`
		ForeignKeys   []foreignKeyJSON `json:"foreignKeys,omitempty"`
	}
	fieldJSON struct {
		Name        string          `json:"name"`
		Type        string          `json:"type"`
		Format      string          `json:"format,omitzero"`
		Kind        string          `json:"kind,omitzero"` // id or code, both strings
		Unit        string          `json:"unit,omitzero"`
		Decimals    int             `json:"decimals,omitzero"`
		TrueValues  []string        `json:"trueValues,omitempty"`
		FalseValues []string        `json:"falseValues,omitempty"`
		Description string          `json:"description,omitzero"`
		Example     jsontext.Value  `json:"example,omitzero"`
		Constraints constraintsJSON `json:"constraints,omitzero"`
	}
	constraintsJSON struct {
		Required bool             `json:"required,omitzero"`
		Minimum  jsontext.Value   `json:"minimum,omitzero"`
		Pattern  string           `json:"pattern,omitzero"`
		Enum     []jsontext.Value `json:"enum,omitempty"`
	}
	foreignKeyJSON struct {
		Fields    []string      `json:"fields"`
		Reference referenceJSON `json:"reference"`
	}
	referenceJSON struct {
		Resource string   `json:"resource"`
		Fields   []string `json:"fields"`
	}
)

var ourDialect = dialectJSON{dialectProfile, true, ",", "\r\n", `"`, true, false}

// tokenPattern is the form of an id or a code in the published schema; the
// few words that a spreadsheet turns into dates are left to the writer.
const tokenPattern = "[A-Za-z][A-Za-z0-9._:-]*"

// standardType maps to Table Schema's types.
var standardType = map[Type]string{ID: "string", Code: "string", Month: "yearmonth"}

// quoted writes a value of the column as JSON: numbers bare, the rest strings.
func (c Column) quoted(cell string) jsontext.Value {
	switch {
	case cell == "":
		return nil
	case c.numeric() || c.Type == Boolean:
		return jsontext.Value(cell)
	}
	b, _ := jsontext.AppendQuote(nil, cell)
	return b
}

func unquoted(v jsontext.Value) string {
	if b, err := jsontext.AppendUnquote(nil, v); err == nil {
		return string(b)
	}
	return string(v)
}

func fieldOf(c Column) fieldJSON {
	k := c.Constraints
	f := fieldJSON{
		Name: c.Name, Type: string(c.Type), Unit: c.Unit, Decimals: c.Decimals, Description: c.Description, Example: c.quoted(c.Example),
		Constraints: constraintsJSON{
			Required: k.Required, Minimum: c.quoted(k.Minimum),
		},
	}
	if s, ok := standardType[c.Type]; ok {
		f.Type = s
	}
	if c.Type == ID || c.Type == Code {
		f.Kind = string(c.Type)
		if len(k.Enum) == 0 {
			f.Constraints.Pattern = tokenPattern
		}
	}
	if c.Type == DateTime {
		// Readers of version 1 of the standard take an offset or decimals of
		// a second in no other format.
		f.Format = "any"
	}
	if c.Type == Boolean {
		f.TrueValues, f.FalseValues = []string{"true"}, []string{"false"}
	}
	for _, v := range k.Enum {
		f.Constraints.Enum = append(f.Constraints.Enum, c.quoted(v))
	}
	return f
}

func (f fieldJSON) column() Column {
	k := f.Constraints
	c := Column{
		Name: f.Name, Type: Type(f.Type), Unit: f.Unit, Decimals: f.Decimals, Description: f.Description, Example: unquoted(f.Example),
		Constraints: Constraints{
			Required: k.Required, Minimum: unquoted(k.Minimum),
		},
	}
	if f.Type == "yearmonth" {
		c.Type = Month
	}
	if f.Type == "string" && f.Kind != "" {
		c.Type = Type(f.Kind)
	}
	for _, v := range k.Enum {
		c.Constraints.Enum = append(c.Constraints.Enum, unquoted(v))
	}
	return c
}

func schemaOf(t Table, tables []Table) schemaJSON {
	s := schemaJSON{Schema: schemaProfile, MissingValues: []string{""}, PrimaryKey: t.PrimaryKey}
	for _, c := range t.Columns {
		s.Fields = append(s.Fields, fieldOf(c))
	}
	for _, fk := range t.ForeignKeys {
		s.ForeignKeys = append(s.ForeignKeys, foreignKeyJSON{fk.Columns, referenceJSON{fk.Table, tableNamed(tables, fk.Table).PrimaryKey}})
	}
	return s
}

func descriptorOf(h Head, tables []Table, views []viewJSON) ([]byte, error) {
	p := packageJSON{
		Schema: profile, Name: strings.ToLower(h.Name()), Title: h.Organization + ", " + h.Program + ", " + h.Month, Version: h.SchemaVersion,
		Description: "Monthly package of a duct sealing program. An empty cell means not known. One leading apostrophe of a text cell guards against formulas and is not part of the text.",
		Created:     h.AsOf.UTC().Format(asOfForm), Views: views,
	}
	for _, t := range tables {
		p.Resources = append(p.Resources, resourceJSON{
			Name: t.Name, Type: "table", Title: t.Title, Description: t.Description, Path: t.file(),
			Format: "csv", Mediatype: "text/csv", Encoding: "utf-8", Dialect: ourDialect, Table: schemaOf(t, tables),
		})
	}
	b, err := json.Marshal(p, jsontext.WithIndent("  "))
	return append(b, '\n'), err
}

// parseDescriptor gives the tables that a package describes.
func parseDescriptor(text []byte) (p packageJSON, tables []Table, err error) {
	if err := json.Unmarshal(text, &p); err != nil {
		return p, nil, fmt.Errorf("is not a descriptor: %w", err)
	}
	for _, r := range p.Resources {
		t := Table{Name: r.Name, Title: r.Title, Description: r.Description, PrimaryKey: r.Table.PrimaryKey}
		if r.Dialect != ourDialect || r.Path != t.file() {
			return p, nil, fmt.Errorf("resource %q: another CSV dialect or file name than the package's", r.Name)
		}
		for _, f := range r.Table.Fields {
			t.Columns = append(t.Columns, f.column())
		}
		for _, fk := range r.Table.ForeignKeys {
			to := fk.Reference.Resource
			if to == "" {
				to = r.Name
			}
			t.ForeignKeys = append(t.ForeignKeys, ForeignKey{fk.Fields, to})
		}
		tables = append(tables, t)
	}
	return p, tables, nil
}
