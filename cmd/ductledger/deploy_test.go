package main

import (
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"
)

// Every metric that an alert or the dashboard reads is one of ours, and every
// alert names a page that is there: a renamed metric would else never ring.
func TestAlertsAndDashboardReadWhatIsMeasured(t *testing.T) {
	t.Parallel()
	read := func(name string) []byte {
		t.Helper()
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	measured := map[string]bool{}
	for _, m := range regexp.MustCompile(`"(ductledger_[a-z_]+)"`).FindAllSubmatch(read("metrics.go"), -1) {
		measured[string(m[1])] = true
	}
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr string
				Annotations struct{ Summary, Page string }
			}
		}
	}
	if err := yaml.Unmarshal(read("../../deploy/alerts/ductledger.rules.yaml"), &rules); err != nil {
		t.Fatal(err)
	}
	var dashboard struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(read("../../deploy/alerts/dashboard.json"), &dashboard); err != nil {
		t.Fatal(err)
	}
	pages := string(read("../../deploy/README.md"))
	names := regexp.MustCompile(`ductledger_[a-z_]+`)
	check := func(where, expression string) {
		t.Helper()
		for _, name := range names.FindAllString(expression, -1) {
			if !measured[name] && !measured[strings.TrimSuffix(name, "_bucket")] {
				t.Errorf("%s reads %s, which nothing measures", where, name)
			}
		}
	}
	count := 0
	for _, group := range rules.Groups {
		for _, r := range group.Rules {
			count++
			check(r.Alert, r.Expr)
			if r.Annotations.Page != "deploy/README.md#"+strings.ToLower(r.Alert) || !strings.Contains(pages, "\n### "+r.Alert+"\n") || r.Annotations.Summary == "" {
				t.Errorf("%s: its page %q is not in deploy/README.md, or it says nothing", r.Alert, r.Annotations.Page)
			}
		}
	}
	for _, p := range dashboard.Panels {
		for _, target := range p.Targets {
			check(p.Title, target.Expr)
		}
	}
	if count < 10 || len(dashboard.Panels) < 10 {
		t.Errorf("%d alerts and %d panels were read", count, len(dashboard.Panels))
	}
}
