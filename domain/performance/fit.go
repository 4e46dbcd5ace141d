package performance

import "math"

// A block holds the exact sums of one contractor's jobs: of each column of
// the regression and of every product of two, the outcome y as last column.
type block struct {
	n  int64
	s  []wide
	ss [][]wide // symmetric; only ss[a][b] with a ≤ b is kept
}

func newBlock(columns int) *block {
	b := &block{s: make([]wide, columns), ss: make([][]wide, columns)}
	for a := range b.ss {
		b.ss[a] = make([]wide, columns)
	}
	return b
}

// centeredProduct is Σ(u_a − ū_a)(u_b − ū_b) within the block, for a ≤ b.
func (b *block) centeredProduct(i, j int) float64 { return centered(b.n, b.ss[i][j], b.s[i], b.s[j]) }

func (b *block) mean(i int) float64 { return b.s[i].logs() / float64(b.n) }

// A fit is the least-squares line with one intercept for each block.
type fit struct {
	n         int64       // jobs
	slopes    []float64   // by column; 0 for a dropped one
	inverse   [][]float64 // W⁻¹; rows and columns of dropped ones are 0
	dropped   []bool
	sigma2    float64   // residual variance
	df        int64     // its degrees of freedom
	intercept []float64 // c_j by block
	means     [][]float64
	meanAll   []float64 // of the columns over all jobs
}

// collinear is the share of a column's spread within contractors that must be
// left once the columns before it are taken out; less is rounding, not homes.
const collinear = 1e-9

// fitBlocks fits y on p columns with a separate intercept for each block, so
// that a contractor who is given leaky homes does not bend the slope:
//
//	W_ab = Σ_j Σ_i (u_a − ū_aj)(u_b − ū_bj)   (a, b columns, y among them)
//	slopes b = W_uu⁻¹·W_uy
//	σ² = (W_yy − b'W_uy)/(N − K − p),  c_j = ȳ_j − ū_j'b
//
// over K blocks with N jobs; p counts the columns that are kept. A column
// without spread within blocks, or that follows from those before it, is
// dropped. It is the same line as a regression with a dummy variable for each
// block, at the cost of K·p² sums. With no degree of freedom left σ² is 0.
func fitBlocks(blocks []*block, p int) fit {
	f := fit{slopes: make([]float64, p), dropped: make([]bool, p), inverse: square(p)}
	w := square(p + 1)
	for _, b := range blocks {
		f.n += b.n
		for i := range w {
			for j := i; j < len(w); j++ {
				w[i][j] += b.centeredProduct(i, j)
				w[j][i] = w[i][j]
			}
		}
	}
	l := factor(w, f.dropped)
	kept := int64(0)
	for k := range p {
		if f.dropped[k] {
			continue
		}
		kept++
		unit := make([]float64, p)
		unit[k] = 1
		f.inverse[k] = solve(l, unit, f.dropped)
	}
	right := make([]float64, p)
	for k := range p {
		right[k] = w[k][p]
	}
	f.slopes = solve(l, right, f.dropped)
	rest := w[p][p]
	for k := range p {
		rest -= float64(f.slopes[k] * w[k][p])
	}
	f.df = f.n - int64(len(blocks)) - kept
	if f.df > 0 {
		f.sigma2 = max(0, rest) / float64(f.df)
	}
	f.center(blocks, p)
	return f
}

// center fills the intercepts and the means of the columns.
func (f *fit) center(blocks []*block, p int) {
	total := make([]wide, p)
	for _, b := range blocks {
		c, means := b.mean(p), make([]float64, p)
		for k := range p {
			means[k] = b.mean(k)
			c -= float64(means[k] * f.slopes[k])
			total[k].add(b.s[k])
		}
		f.intercept = append(f.intercept, c)
		f.means = append(f.means, means)
	}
	for k := range p {
		f.meanAll = append(f.meanAll, total[k].logs()/float64(f.n))
	}
}

// varianceOfMean is Var c_j of a block of n jobs whose columns have the means
// u, with the columns centered at the program's means:
//
//	σ²/n + σ²·(u − ū)'W⁻¹(u − ū)
func (f *fit) varianceOfMean(j int, n int64) float64 {
	q := 0.0
	for a := range f.slopes {
		for b := range f.slopes {
			q += float64((f.means[j][a] - f.meanAll[a]) * f.inverse[a][b] * (f.means[j][b] - f.meanAll[b]))
		}
	}
	return f.sigma2/float64(n) + float64(f.sigma2*q)
}

// factor is the Cholesky factor of the columns of w but the last (y); columns
// without own spread are marked as dropped and left 0.
func factor(w [][]float64, dropped []bool) [][]float64 {
	p := len(dropped)
	l := square(p)
	for k := range p {
		pivot := w[k][k]
		for i := range k {
			pivot -= float64(l[k][i] * l[k][i])
		}
		if !(pivot > collinear*w[k][k]) {
			dropped[k] = true
			clear(l[k])
			continue
		}
		l[k][k] = math.Sqrt(pivot)
		for r := k + 1; r < p; r++ {
			v := w[r][k]
			for i := range k {
				v -= float64(l[r][i] * l[k][i])
			}
			l[r][k] = v / l[k][k]
		}
	}
	return l
}

// solve gives x with L·L'·x = b over the columns that are kept.
func solve(l [][]float64, b []float64, dropped []bool) []float64 {
	p := len(b)
	x := make([]float64, p)
	for k := range p {
		if dropped[k] {
			continue
		}
		v := b[k]
		for i := range k {
			v -= float64(l[k][i] * x[i])
		}
		x[k] = v / l[k][k]
	}
	for k := p - 1; k >= 0; k-- {
		if dropped[k] {
			continue
		}
		v := x[k]
		for i := k + 1; i < p; i++ {
			v -= float64(l[i][k] * x[i])
		}
		x[k] = v / l[k][k]
	}
	return x
}

func square(p int) [][]float64 {
	m := make([][]float64, p)
	for i := range m {
		m[i] = make([]float64, p)
	}
	return m
}
