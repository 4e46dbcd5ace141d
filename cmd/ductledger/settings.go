package main

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// variablePrefix begins every variable of ours.
const variablePrefix = "DUCTLEDGER_"

// demoVariables are what the demo prints to paste. Every command knows them,
// also those that use none.
func demoVariables() []string {
	return []string{
		"DUCTLEDGER_URL", "DUCTLEDGER_FIELD_TOKEN", "DUCTLEDGER_STAFF_TOKEN", "DUCTLEDGER_FUNDER_TOKEN", "DUCTLEDGER_ADMIN_TOKEN",
		"DUCTLEDGER_INSPECTOR_TOKEN", "DUCTLEDGER_CONTRACTOR_TOKEN", "DUCTLEDGER_OTHER_STAFF_TOKEN",
	}
}

// environment are the variables that were handed in.
type environment map[string]string

func environmentOf(list []string) environment {
	env := environment{}
	for _, line := range list {
		if name, value, found := strings.Cut(line, "="); found && value != "" {
			env[name] = value
		}
	}
	return env
}

// variableOf is the variable that stands for a flag when the flag is absent:
// what the tag "from" names, else the flag's own name. from:"-" is none, for
// flags that say what to do once.
func variableOf(flag *kong.Flag) string {
	switch from := flag.Tag.Get("from"); {
	case from == "-" || flag.Name == "help" || flag.Name == "version":
		return ""
	case from != "":
		return from
	}
	return variablePrefix + strings.ToUpper(strings.ReplaceAll(flag.Name, "-", "_"))
}

// resolver gives a flag the value of its variable.
func (env environment) resolver() kong.Resolver {
	return kong.ResolverFunc(func(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
		if value, set := env[variableOf(flag)]; set {
			return value, nil
		}
		return nil, nil
	})
}

// check refuses a variable of ours that no command knows: a mistyped setting
// would otherwise be silently without effect.
func (env environment) check(model *kong.Application) error {
	known := demoVariables()
	err := kong.Visit(model, func(node kong.Visitable, next kong.Next) error {
		if flag, ok := node.(*kong.Flag); ok {
			if name := variableOf(flag); name != "" && !slices.Contains(known, name) {
				known = append(known, name)
			}
		}
		return next(nil)
	})
	if err != nil {
		return err
	}
	var unknown []string
	for name := range env {
		if strings.HasPrefix(name, variablePrefix) && !slices.Contains(known, name) {
			unknown = append(unknown, name)
		}
	}
	if len(unknown) == 0 {
		return nil
	}
	slices.Sort(unknown)
	return fmt.Errorf("the variable %s is set and no command knows it; the nearest known name is %s", unknown[0], nearest(unknown[0], known))
}

// nearest is the word with the fewest letters to change, the first of equals.
func nearest(word string, list []string) string {
	slices.Sort(list)
	return slices.MinFunc(list, func(a, b string) int { return distance(word, a) - distance(word, b) })
}

// distance counts the letters to insert, delete or change between two words
// (V. Levenshtein, 1966), row by row.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j+1]+1, row[j]+1)
		}
	}
	return row[len(b)]
}

// helpOf is a flag's line of help with its variable.
func helpOf(value *kong.Value) string {
	if value.Flag == nil || variableOf(value.Flag) == "" {
		return value.Help
	}
	return value.Help + " ($" + variableOf(value.Flag) + ")"
}

// setting is one flag of the command that runs, for the doctor to show.
type setting struct {
	Name   string `json:"name"`
	Value  string `json:"value"`
	Origin string `json:"origin"`
}

// settingsOf tells where each setting came from.
func settingsOf(parsed *kong.Context, env environment) (list []setting) {
	given := map[*kong.Flag]bool{}
	for _, step := range parsed.Path {
		if step.Flag != nil && !step.Resolved {
			given[step.Flag] = true
		}
	}
	for _, flag := range parsed.Flags() {
		variable := variableOf(flag)
		if variable == "" {
			continue
		}
		s := setting{Name: "--" + flag.Name, Value: shownValue(fmt.Sprint(parsed.FlagValue(flag))), Origin: "default"}
		if given[flag] {
			s.Origin = "flag"
		} else if _, set := env[variable]; set {
			s.Origin = variable
		}
		list = append(list, s)
	}
	return list
}

// shownValue keeps a password out of what is printed.
func shownValue(value string) string {
	if address, err := url.Parse(value); err == nil && address.User != nil {
		return address.Redacted()
	}
	if strings.HasPrefix(value, "dl_") {
		return "dl_…"
	}
	return value
}
