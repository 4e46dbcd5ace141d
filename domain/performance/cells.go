package performance

import (
	"cmp"

	"ductledger/domain"
)

// Logarithms are taken of a reading over 200 cfm25 and of an area over
// 1,000 ft²: constants near the middle of all homes, so that the sums stay
// small. They are part of the published model.
const (
	centerTenths = 2000.0 // 200 cfm25
	centerFt2    = 1000.0
)

// cellKey is one contractor's, or one crew lead's, homes of one class.
type cellKey struct {
	id    domain.UUID
	class string
}

func (k cellKey) compare(o cellKey) int {
	return cmp.Or(k.id.Compare(o.id), cmp.Compare(k.class, o.class))
}

// A cell keeps the sums from which the case-mix model is fitted, and the homes
// that go together with others, both apart for jobs whose floor area is known
// and those whose is not.
type cell struct {
	withArea, without    moments
	together, unmeasured []home
}

// moments are exact sums of x = ln before, y = ln after, z = ln area.
type moments struct {
	n                      int64
	x, y, z                wide
	xx, xy, yy, xz, yz, zz wide
}

func momentsOf(x, y, z int64) moments {
	return moments{1, wideOf(x), wideOf(y), wideOf(z),
		product(x, x), product(x, y), product(y, y), product(x, z), product(y, z), product(z, z)}
}

func (c *cell) add(j *Job, x, y, z int64) {
	one := momentsOf(x, y, z)
	if j.AreaFt2 == nil {
		c.without.merge(&one)
	} else {
		c.withArea.merge(&one)
	}
}

// join keeps a home that goes together with others.
func (c *cell) join(j *Job, x, y, z int64) {
	switch {
	case j.Together == 0:
	case j.AreaFt2 == nil:
		c.unmeasured = append(c.unmeasured, home{j.Together, x, y, z})
	default:
		c.together = append(c.together, home{j.Together, x, y, z})
	}
}

func (c *cell) merge(o *cell) {
	c.withArea.merge(&o.withArea)
	c.without.merge(&o.without)
	c.together = append(c.together, o.together...)
	c.unmeasured = append(c.unmeasured, o.unmeasured...)
}

func (m *moments) merge(o *moments) {
	m.n += o.n
	m.x.add(o.x)
	m.y.add(o.y)
	m.z.add(o.z)
	m.xx.add(o.xx)
	m.xy.add(o.xy)
	m.yy.add(o.yy)
	m.xz.add(o.xz)
	m.yz.add(o.yz)
	m.zz.add(o.zz)
}

// take is the sums of the jobs that a model with the area, or one without it,
// can use.
func (c *cell) take(withArea bool) moments {
	m := c.withArea
	if !withArea {
		m.merge(&c.without)
	}
	return m
}
