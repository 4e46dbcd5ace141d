package cutlist

import (
	"math"
	"reflect"
	"testing"

	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

// invented is a double section with one of each thing to make.
func invented() Job {
	thin := 0.02
	return Job{
		FlatBlanks:   []FlatBlank{{Place: "A front", DuctWidthIn: 14, DuctHeightIn: 5}},
		SlopedBlanks: []SlopedBlank{{Place: "A rear", DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 12}},
		BoardPlugs:   []BoardPlug{{Place: "B front", DuctWidthIn: 14, DuctHeightIn: 5}},
		Brackets:     []Bracket{{TrunkLegIn: 4, OtherLegIn: 3, WidthIn: 2}},
		DuctPatches:  []Hole{{LengthIn: 8, WidthIn: 8}},
		WrapPatches:  []Hole{{LengthIn: 18, WidthIn: 24}},
		Crossovers:   []Crossover{{CollarDiameterIn: 12}},
		Seals:        []Seal{{Place: "furnace joint", LengthIn: 60, WidthIn: 3, ThicknessIn: &thin, Mesh: true}, {Place: "seam", LengthIn: 20, WidthIn: 2}},
	}
}

// Every total of the invented job by hand [calc], from the defaults.
func TestForJob(t *testing.T) {
	list, err := ForJob(invented(), DefaultParameters())
	if err != nil {
		t.Fatal(err)
	}
	if len(list.Pieces) != 6 || len(list.Coats) != 7 || list.Totals.PiecesCount != 6 {
		t.Fatalf("%d pieces, %d coats, %d counted", len(list.Pieces), len(list.Coats), list.Totals.PiecesCount)
	}
	// Slope: √(25 + 144) = 13, with flanges 15.
	near(t, "metal", list.Totals.MetalIn2, 14.5*5.5+15*14+7*2+10*10, 1e-12)
	near(t, "roll", list.Totals.MetalStockIn, 14.5+15+2+10, 1e-12)
	near(t, "board", list.Totals.BoardIn2, 14*5, 0)
	near(t, "wrap", list.Totals.WrapFabricIn2, 24*30, 0)
	near(t, "mesh", list.Totals.MeshIn, 61, 0)
	atThickness := 2.0*(14+5)*2 + 2*(14+13)*2 + 2*(14+5)*2 + // edges of three closures, bead of 2 in
		(100 - 64) + 100 + // under the patch and over it
		2*math.Pi*12*2 + // two collars
		20*2 // seam
	near(t, "mastic", list.Totals.MasticIn3, atThickness*0.075+60*3*0.02, 1e-10)
	near(t, "mastic in gallons", list.Totals.MasticGal, list.Totals.MasticIn3/231, 0)
	if got := list.Totals.ScrewsCount; got != 6+6+5+4+8 {
		t.Errorf("screws %d, want 29", got)
	}
	if got := list.Totals.BandsCount; got != 4 {
		t.Errorf("bands %d, want 4: core and jacket, both ends", got)
	}
	near(t, "metal with a tenth more", list.WithWaste.MetalIn2, 403.75*1.1, 1e-9)
	if list.WithWaste.ScrewsCount != 32 || list.WithWaste.BandsCount != 5 {
		t.Errorf("with waste %d screws and %d bands, want 32 (31.9) and 5 (4.4)", list.WithWaste.ScrewsCount, list.WithWaste.BandsCount)
	}
	if list.Caution == "" || len(list.Notes) != 0 || list.Method == "" || list.MethodVersion == "" {
		t.Errorf("caution %q, notes %q, method %q %q", list.Caution, list.Notes, list.Method, list.MethodVersion)
	}
}

func TestWiderThanStockIsNoted(t *testing.T) {
	list, err := ForJob(Job{FlatBlanks: []FlatBlank{{DuctWidthIn: 16, DuctHeightIn: 14}}}, DefaultParameters())
	if err != nil {
		t.Fatal(err)
	}
	if list.Totals.WiderThanStockCount != 1 || list.Totals.MetalStockIn != 0 || len(list.Notes) != 1 {
		t.Errorf("%+v, notes %q", list.Totals, list.Notes)
	}
}

func TestEmptyJob(t *testing.T) {
	list, err := ForJob(Job{}, DefaultParameters())
	if err != nil {
		t.Fatal(err)
	}
	if list.Pieces == nil || list.Coats == nil || list.Totals != (Totals{}) || list.WithWaste != (Totals{}) || list.Caution != "" {
		t.Errorf("nothing to make gives %+v", list)
	}
}

// 10 screws and 10 % are 11, although 10 × 1.1 is 11.000000000000002.
func TestWasteOfCounts(t *testing.T) {
	for _, c := range []struct {
		count int
		waste float64
		want  int
	}{{10, 0.1, 11}, {30, 0.1, 33}, {4, 0.1, 5}, {4, 0, 4}, {0, 0.5, 0}, {3, 0.5, 5}} {
		got := Totals{ScrewsCount: c.count, BandsCount: c.count}.withWaste(c.waste)
		if got.ScrewsCount != c.want || got.BandsCount != c.want {
			t.Errorf("%d and %v: %d screws, %d bands, want %d", c.count, c.waste, got.ScrewsCount, got.BandsCount, c.want)
		}
	}
}

func anyJob(t *rapid.T, label string) Job {
	in := rapid.Float64Range(1, 60)
	run := rapid.Float64Range(0, 30)
	return rapid.Custom(func(t *rapid.T) Job {
		var job Job
		for i := rapid.IntRange(0, 3).Draw(t, "closures"); i > 0; i-- {
			job.FlatBlanks = append(job.FlatBlanks, FlatBlank{DuctWidthIn: in.Draw(t, "w"), DuctHeightIn: in.Draw(t, "h")})
			job.SlopedBlanks = append(job.SlopedBlanks, SlopedBlank{DuctWidthIn: in.Draw(t, "w"), DuctHeightIn: in.Draw(t, "h"), RunIn: run.Draw(t, "r"), ScrewedToSideWalls: rapid.Bool().Draw(t, "screwed")})
			job.BoardPlugs = append(job.BoardPlugs, BoardPlug{DuctWidthIn: in.Draw(t, "w"), DuctHeightIn: in.Draw(t, "h"), RunIn: run.Draw(t, "r")})
		}
		for i := rapid.IntRange(0, 3).Draw(t, "holes"); i > 0; i-- {
			job.Brackets = append(job.Brackets, Bracket{TrunkLegIn: in.Draw(t, "leg"), OtherLegIn: in.Draw(t, "leg"), WidthIn: 2.25})
			job.DuctPatches = append(job.DuctPatches, Hole{LengthIn: in.Draw(t, "a"), WidthIn: in.Draw(t, "b")})
			job.WrapPatches = append(job.WrapPatches, Hole{LengthIn: in.Draw(t, "a"), WidthIn: in.Draw(t, "b")})
			job.Crossovers = append(job.Crossovers, Crossover{CollarDiameterIn: in.Draw(t, "d")})
			job.Seals = append(job.Seals, Seal{LengthIn: in.Draw(t, "l"), WidthIn: in.Draw(t, "w"), Mesh: rapid.Bool().Draw(t, "mesh")})
		}
		return job
	}).Draw(t, label)
}

func joined(a, b Job) Job {
	return Job{
		FlatBlanks:   append(append([]FlatBlank{}, a.FlatBlanks...), b.FlatBlanks...),
		SlopedBlanks: append(append([]SlopedBlank{}, a.SlopedBlanks...), b.SlopedBlanks...),
		BoardPlugs:   append(append([]BoardPlug{}, a.BoardPlugs...), b.BoardPlugs...),
		Brackets:     append(append([]Bracket{}, a.Brackets...), b.Brackets...),
		DuctPatches:  append(append([]Hole{}, a.DuctPatches...), b.DuctPatches...),
		WrapPatches:  append(append([]Hole{}, a.WrapPatches...), b.WrapPatches...),
		Crossovers:   append(append([]Crossover{}, a.Crossovers...), b.Crossovers...),
		Seals:        append(append([]Seal{}, a.Seals...), b.Seals...),
	}
}

func sameTotals(t *rapid.T, name string, a, b Totals) {
	x, y := reflect.ValueOf(a), reflect.ValueOf(b)
	for i := range x.NumField() {
		field := x.Type().Field(i).Name
		switch v := x.Field(i).Interface().(type) {
		case int:
			if w := y.Field(i).Interface().(int); v != w {
				t.Fatalf("%s: %s %d and %d", name, field, v, w)
			}
		case float64:
			if w := y.Field(i).Interface().(float64); math.Abs(v-w) > 1e-9*(1+math.Abs(v)) {
				t.Fatalf("%s: %s %v and %v", name, field, v, w)
			}
		}
	}
}

// Two jobs take together what one job with all their parts takes.
func TestTotalsAdd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyJob(t, "a"), anyJob(t, "b")
		p := DefaultParameters()
		load, err := ForJobs([]Job{a, b}, p)
		if err != nil {
			t.Fatal(err)
		}
		one, err := ForJob(joined(a, b), p)
		if err != nil {
			t.Fatal(err)
		}
		sameTotals(t, "totals", load.Totals, one.Totals)
		sameTotals(t, "with waste", load.WithWaste, one.WithWaste)
		perJob := load.Lists[0].WithWaste.ScrewsCount + load.Lists[1].WithWaste.ScrewsCount
		if load.WithWaste.ScrewsCount > perJob || load.WithWaste.ScrewsCount < load.Totals.ScrewsCount {
			t.Fatalf("%d screws with waste, %d without, %d job by job", load.WithWaste.ScrewsCount, load.Totals.ScrewsCount, perJob)
		}
	})
}

// Twice every length, allowance and width is four times the metal, and with
// twice the thickness eight times the mastic.
func TestScaling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h, r := rapid.Float64Range(2, 30).Draw(t, "w"), rapid.Float64Range(2, 30).Draw(t, "h"), rapid.Float64Range(0, 30).Draw(t, "r")
		job := func(k float64) Job {
			return Job{
				FlatBlanks:   []FlatBlank{{DuctWidthIn: k * w, DuctHeightIn: k * h}},
				SlopedBlanks: []SlopedBlank{{DuctWidthIn: k * w, DuctHeightIn: k * h, RunIn: k * r, ScrewedToSideWalls: true}},
				BoardPlugs:   []BoardPlug{{DuctWidthIn: k * w, DuctHeightIn: k * h, RunIn: k * r}},
				DuctPatches:  []Hole{{LengthIn: k * w, WidthIn: k * h}},
				Crossovers:   []Crossover{{CollarDiameterIn: k * w}},
				Seals:        []Seal{{LengthIn: k * w, WidthIn: k * h}},
			}
		}
		p := DefaultParameters()
		q := with(func(p *Parameters) {
			for _, in := range []*float64{&p.StockWidthIn, &p.BlankAllowanceIn, &p.EndFlangeIn, &p.SideFlangeIn, &p.BoardThicknessIn, &p.DuctPatchLapIn, &p.MasticThicknessIn, &p.MasticBeadWidthIn} {
				*in *= 2
			}
		})
		small, err := ForJob(job(1), p)
		if err != nil {
			t.Fatal(err)
		}
		big, err := ForJob(job(2), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name      string
			big, want float64
		}{
			{"metal", big.Totals.MetalIn2, 4 * small.Totals.MetalIn2},
			{"roll", big.Totals.MetalStockIn, 2 * small.Totals.MetalStockIn},
			{"board", big.Totals.BoardIn2, 4 * small.Totals.BoardIn2},
			{"mastic", big.Totals.MasticIn3, 8 * small.Totals.MasticIn3},
		} {
			if math.Abs(c.big-c.want) > 1e-12*c.want {
				t.Fatalf("%s: %v, want %v", c.name, c.big, c.want)
			}
		}
	})
}

func TestJobRefused(t *testing.T) {
	p := DefaultParameters()
	bad := invented()
	bad.WrapPatches = append(bad.WrapPatches, Hole{LengthIn: 3})
	bad.Seals[0].LengthIn = -1
	_, err := ForJob(bad, p)
	refused(t, "the first fault in the order of the fields", err, stat.NotPositive, "/wrap_patches/1/width_in")
	_, err = ForJobs([]Job{invented(), bad}, p)
	refused(t, "in a day's jobs", err, stat.NotPositive, "/jobs/1/wrap_patches/1/width_in")
	_, err = ForJob(Job{Crossovers: []Crossover{{}}}, p)
	refused(t, "no diameter", err, stat.NotPositive, "/crossovers/0/collar_diameter_in")
	thick := 5.0
	_, err = ForJob(Job{Seals: []Seal{{LengthIn: 1, WidthIn: 1, ThicknessIn: &thick}}}, p)
	refused(t, "five inches of mastic", err, stat.OutOfRange, "/seals/0/thickness_in")
	_, err = ForJob(Job{Brackets: make([]Bracket, mostPieces+1)}, p)
	refused(t, "too many", err, stat.TooMany, "/brackets")
	_, err = ForJobs(make([]Job, mostJobs+1), p)
	refused(t, "too many jobs", err, stat.TooMany, "/jobs")
	_, err = ForJob(Job{}, with(func(p *Parameters) { p.WasteRatio = 10 }))
	refused(t, "percent for a fraction", err, stat.OutOfRange, "/parameters/waste_ratio")
	_, err = ForJobs(nil, with(func(p *Parameters) { p.BracketMostWidthIn = 1 }))
	refused(t, "limits crossed", err, stat.OutOfRange, "/parameters/bracket_most_width_in")
}

func FuzzForJob(f *testing.F) {
	f.Add(14.0, 5.0, 8.0, 1.0, 0.1)
	f.Add(1200.0, 0.01, 1200.0, 12.0, 0.99)
	f.Fuzz(func(t *testing.T, w, h, r, flange, waste float64) {
		p := with(func(p *Parameters) { p.EndFlangeIn, p.WasteRatio = flange, waste })
		list, err := ForJob(Job{
			FlatBlanks:   []FlatBlank{{DuctWidthIn: w, DuctHeightIn: h}},
			SlopedBlanks: []SlopedBlank{{DuctWidthIn: w, DuctHeightIn: h, RunIn: r}},
			BoardPlugs:   []BoardPlug{{DuctWidthIn: w, DuctHeightIn: h, RunIn: r}},
			DuctPatches:  []Hole{{LengthIn: w, WidthIn: h}},
			Crossovers:   []Crossover{{CollarDiameterIn: w}},
			Seals:        []Seal{{LengthIn: r, WidthIn: h, Mesh: true}},
		}, p)
		if err != nil {
			if _, ok := err.(*stat.Refusal); !ok {
				t.Fatalf("%T is not a refusal", err)
			}
			return
		}
		for _, x := range []float64{list.WithWaste.MetalIn2, list.WithWaste.MetalStockIn, list.WithWaste.BoardIn2, list.WithWaste.MasticGal, list.WithWaste.MeshIn} {
			if math.IsNaN(x) || math.IsInf(x, 0) || x < 0 {
				t.Fatalf("%v %v %v gives %+v", w, h, r, list.WithWaste)
			}
		}
	})
}

func BenchmarkForJob(b *testing.B) {
	job, p := invented(), DefaultParameters()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ForJob(job, p); err != nil {
			b.Fatal(err)
		}
	}
}
