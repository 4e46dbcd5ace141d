package api

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	makes "ductledger/api/contract"
	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/cutlist"
	"ductledger/domain/delivery"
	"ductledger/domain/leakage"
	"ductledger/domain/performance"
	"ductledger/domain/rules"
	"ductledger/storage"
)

var update = flag.Bool("update", false, "write openapi.yaml instead of comparing it")

// openapi.yaml is what the types, the routes and the kinds say.
func TestContractIsMadeFromTheCode(t *testing.T) {
	text, lists, err := madeContract()
	if err != nil {
		t.Fatal(err)
	}
	for path, text := range map[string][]byte{"../openapi.yaml": text, "openapi.yaml": text, "strict/words.go": lists} {
		if *update {
			if err := os.WriteFile(path, text, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		committed, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(text, committed) {
			t.Errorf("%s is not what the code says; run go generate ./api", path)
		}
	}
}

// madeContract writes the contract.
func madeContract() (text, lists []byte, err error) {
	source, err := makes.ReadSource("..", "ductledger", "api", "domain", "storage")
	if err != nil {
		return nil, nil, err
	}
	made := makes.Texts()
	made.Paths = frame.PathValues()
	made.Problem = reflect.TypeFor[wire.Problem]()
	made.Names = names()
	made.Unions = unions()
	made.Open = []reflect.Type{reflect.TypeFor[domain.Code]()}
	made.Raw = map[string]reflect.Type{
		"BatchItem": reflect.TypeFor[wire.Item](), "Entry": reflect.TypeFor[wire.Entry](), "FeedItem": reflect.TypeFor[wire.FeedItem](), "Home": reflect.TypeFor[domain.Home](),
		"Problem": reflect.TypeFor[wire.Problem](), "Resident": reflect.TypeFor[storage.Resident](), "Heard": reflect.TypeFor[heardAnswer](),
		"Number": reflect.TypeFor[float64](), "Result": reflect.TypeFor[rules.Result](), "Performance": reflect.TypeFor[performanceAnswer](), "ContractorFigures": reflect.TypeFor[performance.Contractor](),
	}
	made.Examples = map[string]any{}
	for kind, record := range exampleRecords {
		made.Examples[typeName(kind)] = record
	}
	docs := operationDocs()
	for _, rt := range (&Server{}).routes() {
		if rt.Operation == "" {
			continue
		}
		doc, known := docs[rt.Operation]
		if !known {
			return nil, nil, fmt.Errorf("nothing is said of the operation %s", rt.Operation)
		}
		delete(docs, rt.Operation)
		made.Operations = append(made.Operations, operationOf(&rt, &doc))
	}
	for id := range docs {
		return nil, nil, fmt.Errorf("no route has the operation %s", id)
	}
	return made.Write(source)
}

// operationOf joins a row of the table of routes with what is said of it.
func operationOf(rt *frame.Route, doc *frame.Operation) makes.Operation {
	op := makes.Operation{ID: rt.Operation, Method: rt.Method, Path: rt.Pattern, Tag: doc.Tag, Summary: doc.Summary, Description: doc.Description,
		Public: rt.Public, TimeoutS: int(rt.Timeout.Seconds()), Query: typeOf(doc.Query), Headers: doc.Headers, Body: typeOf(doc.Takes),
		BodyOptional: doc.Optional, BodyExample: doc.Example}
	if rt.Streams {
		op.Streams = rt.ContentTypes
	}
	for _, role := range rt.Roles {
		op.Roles = append(op.Roles, string(role))
	}
	for _, g := range doc.Gives {
		a := makes.Answer{Status: fmt.Sprint(g.Status), Description: g.What, Headers: g.Headers, Type: typeOf(g.Body), Media: g.Media, Of: string(g.Of)}
		if g.Body == nil && g.Media != "" {
			a.Type = reflect.TypeFor[any]()
		}
		if a.Media == "" {
			a.Media = "application/json"
		}
		op.Answers = append(op.Answers, a)
	}
	problems := slices.Concat([]int{400}, doc.Also)
	if !rt.Public {
		problems = append(problems, 401, 403, 429, 503)
	}
	if strings.Contains(rt.Pattern, "{") {
		problems = append(problems, 404)
	}
	if doc.Takes != nil || rt.Streams {
		problems = append(problems, 413, 415, 422)
	}
	slices.Sort(problems)
	op.Problems = append(makes.Statuses(slices.Compact(problems)...), "default")
	return op
}

func typeOf(value any) reflect.Type {
	t := reflect.TypeOf(value)
	for t != nil && t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}

// names are those of types whose own name says too little, or is that of
// another.
func names() map[reflect.Type]string {
	return map[reflect.Type]string{
		reflect.TypeFor[wire.Reason]():            "VoidRequest",
		reflect.TypeFor[wire.List]():              "EntryList",
		reflect.TypeFor[wire.Feed]():              "FeedPage",
		reflect.TypeFor[wire.Start]():             "SyncStart",
		reflect.TypeFor[wire.Item]():              "BatchItem",
		reflect.TypeFor[wire.Client]():            "App",
		reflect.TypeFor[wire.Void]():              "Voided",
		reflect.TypeFor[cutlist.Job]():            "CutListJob",
		reflect.TypeFor[cutlist.Crossover]():      "CrossoverToCut",
		reflect.TypeFor[cutlist.Bracket]():        "BracketStrip",
		reflect.TypeFor[cutlist.Parameters]():     "Allowances",
		reflect.TypeFor[cutlist.Used]():           "UsedMaterial",
		reflect.TypeFor[cutlist.Totals]():         "CutListTotals",
		reflect.TypeFor[cutlist.List]():           "CutList",
		reflect.TypeFor[delivery.Uncertainty]():   "SavingUncertainty",
		reflect.TypeFor[delivery.Estimate]():      "SavingEstimate",
		reflect.TypeFor[leakage.RepairSteps]():    "RepairStepSeries",
		reflect.TypeFor[leakage.Method]():         "FanTestMethod",
		reflect.TypeFor[leakage.Decision]():       "LimitDecision",
		reflect.TypeFor[rules.Outcome]():          "FindingOutcome",
		reflect.TypeFor[cutlist.Kind]():           "PieceKind",
		reflect.TypeFor[cutlist.Material]():       "PieceMaterial",
		reflect.TypeFor[cutlist.Outcome]():        "UseOutcome",
		reflect.TypeFor[performance.Pooled]():     "PooledFigure",
		reflect.TypeFor[performance.Typical]():    "GeometricFigure",
		reflect.TypeFor[performance.Median]():     "MedianFigure",
		reflect.TypeFor[performance.PerArea]():    "PerAreaFigure",
		reflect.TypeFor[performance.Variant]():    "FigureVariant",
		reflect.TypeFor[performance.Summary]():    "Figures",
		reflect.TypeFor[performance.Shrunk]():     "PooledIndex",
		reflect.TypeFor[performance.Dropped]():    "DroppedTerm",
		reflect.TypeFor[performance.Model]():      "CaseMixModel",
		reflect.TypeFor[performance.Group]():      "GroupFigures",
		reflect.TypeFor[performance.Days]():       "DaysFigure",
		reflect.TypeFor[performance.Retest]():     "RetestFigure",
		reflect.TypeFor[performance.Picture]():    "WorkPicture",
		reflect.TypeFor[performance.Contractor](): "ContractorFigures",
		reflect.TypeFor[performanceAnswer]():      "Performance",
		reflect.TypeFor[contractorAnswer]():       "ContractorPerformance",
		reflect.TypeFor[explanationAnswer]():      "Explanation",
		reflect.TypeFor[repairEffectsAnswer]():    "RepairEffects",
		reflect.TypeFor[repeatabilityAnswer]():    "Repeatability",
		reflect.TypeFor[repeatFigure]():           "RepeatFigure",
		reflect.TypeFor[publicationRef]():         "Publication",
		reflect.TypeFor[publicationBody]():        "PublishPeriod",
		reflect.TypeFor[packageAnswer]():          "Package",
		reflect.TypeFor[buildAnswer]():            "PackageBuild",
		reflect.TypeFor[failureAnswer]():          "BuildFailure",
		reflect.TypeFor[statementAnswer]():        "Statement",
		reflect.TypeFor[previewAnswer]():          "RuleSetPreview",
		reflect.TypeFor[previewItem]():            "PreviewJob",
		reflect.TypeFor[worklistAnswer]():         "Worklist",
		reflect.TypeFor[heldAnswer]():             "Held",
		reflect.TypeFor[heardAnswer]():            "Heard",
		reflect.TypeFor[acceptanceAnswer]():       "Acceptance",
		reflect.TypeFor[applyHeldBody]():          "HeldBase",
		reflect.TypeFor[buildPackageBody]():       "PackageOrder",
		reflect.TypeFor[evaluationBody]():         "Evaluation",
		reflect.TypeFor[searchBody]():             "SearchWords",
		reflect.TypeFor[eraseTextsBody]():         "TextErasure",
		reflect.TypeFor[wire.ErasePicture]():      "PictureErasure",
	}
}

// unions are the values of several forms.
func unions() map[reflect.Type]makes.Union {
	return map[reflect.Type]makes.Union{
		reflect.TypeFor[evaluationItem](): ofKinds("Item", evaluationItem{}, nil),
		reflect.TypeFor[wire.Item]():      ofKinds("BatchItem", wire.Item{}, nil),
		reflect.TypeFor[wire.Entry]():     ofKinds("Entry", wire.Entry{}, wire.EntryFacts{}),
		reflect.TypeFor[wire.FeedPut]():   ofKinds("FeedPut", wire.FeedPut{}, wire.FeedFacts{}),
		reflect.TypeFor[wire.FeedItem]():  {Branches: []makes.Branch{{Type: reflect.TypeFor[wire.FeedPut]()}, {Type: reflect.TypeFor[wire.FeedDrop]()}}},
	}
}

// ofKinds is a value with a record in it, told apart by the record's kind. base
// is what all kinds have.
func ofKinds(name string, value, base any) makes.Union {
	u := makes.Union{By: "kind", Base: typeOf(base)}
	fields, err := strict.Fields(typeOf(value))
	if err != nil {
		panic(err)
	}
	fields = slices.DeleteFunc(fields, func(f strict.Field) bool { return f.Name == "kind" || base != nil && f.Name != "record" })
	for _, row := range domain.Kinds {
		of := slices.Clone(fields)
		for i := range of {
			if of[i].Name == "record" {
				of[i].Type = typeOf(row.New())
			}
		}
		one := strict.Article(inWords(string(row.Kind)))
		u.Branches = append(u.Branches, makes.Branch{Word: string(row.Kind), Name: typeName(row.Kind) + name,
			Description: strings.ToUpper(one[:1]) + one[1:] + ".", Fields: of, Untold: base != nil && !toldContractor(row.Kind)})
	}
	return u
}
