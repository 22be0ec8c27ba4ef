package land

// program is the linear programme of one grid in the coefficients c, lengths in
// units of unitUM:
//
//	minimise g'c subject to A c >= b
//
// Rows in order: need points; pitch minimum and pitch maximum at the nodes;
// slew up and slew down between nodes. b is never stored: the solver keeps the
// slack A c - b instead.
type program struct {
	*grid
	n          int // coefficients
	unitUM     float64
	g          []float64    // objective: D(end) - D(0)
	w          [][3]float64 // weights of a need point on three neighbouring e
	class      []uint8      // which weights each need point has
	minP, maxP float64      // in units
	e          []float64
	eh         [][3]float64 // Newton matrix in terms of E: diagonal, first and second neighbour
}

func newProgram(p Problem, gr *grid, unitUM float64) *program {
	n := gr.cells + 2
	pr := &program{
		grid: gr, n: n, unitUM: unitUM, w: gr.weights(),
		g:    make([]float64, n),
		minP: p.MinPitchUM / unitUM, maxP: p.MaxPitchUM / unitUM,
	}
	num := len(p.NeedUM) * gr.m
	k := min(num/p.SectorsPerTurn, gr.cells-1)
	u := float64(num-k*p.SectorsPerTurn) / float64(p.SectorsPerTurn)
	pr.g[0] -= 0.5
	pr.g[1] -= 0.5
	pr.g[k] += (1 - u) * (1 - u) / 2
	pr.g[k+1] += 0.5 + u*(1-u)
	pr.g[k+2] += u * u / 2
	if gr.needCells > 0 {
		// E has needCells+2 coefficients; the third keeps the last need point,
		// whose third weight is zero, inside the slice.
		pr.e = make([]float64, gr.needCells+3)
		pr.eh = make([][3]float64, gr.needCells+3)
		pr.class = make([]uint8, len(gr.needUM))
		for q := range pr.class {
			pr.class[q] = uint8(q % gr.r)
		}
	}
	return pr
}

func (pr *program) rows() int { return len(pr.needUM) + 2*(pr.n-1) + 2*(pr.n-2) }

// split cuts a vector of rows into its five groups.
func (pr *program) split(v []float64) (need, lo, hi, up, down []float64) {
	cut := func(n int) []float64 {
		out := v[:n:n]
		v = v[n:]
		return out
	}
	need = cut(len(pr.needUM))
	lo, hi = cut(pr.n-1), cut(pr.n-1)
	up, down = cut(pr.n-2), cut(pr.n-2)
	return need, lo, hi, up, down
}

// apply sets out = A x.
func (pr *program) apply(x, out []float64) {
	need, lo, hi, up, down := pr.split(out)
	if len(need) > 0 {
		e := pr.e[:pr.needCells+2]
		far := x[pr.m:]
		for i := range e {
			e[i] = far[i] - x[i]
		}
		pr.e[len(e)] = 0
		for k, q := 0, 0; q < len(need); k++ {
			e0, e1, e2 := pr.e[k], pr.e[k+1], pr.e[k+2]
			for _, c := range pr.class[q:min(q+pr.r, len(need))] {
				w := &pr.w[c]
				need[q] = w[0]*e0 + w[1]*e1 + w[2]*e2
				q++
			}
		}
	}
	m := float64(pr.m)
	for k := range lo {
		v := m * (x[k+1] - x[k])
		lo[k], hi[k] = v, -v
	}
	for k := range up {
		v := lo[k+1] - lo[k]
		up[k], down[k] = -v, v
	}
}

// applyT sets out = A' z.
func (pr *program) applyT(z, out []float64) {
	need, lo, hi, up, down := pr.split(z)
	clear(out)
	m := float64(pr.m)
	// The slew rows act on the pitch, the pitch on two coefficients.
	prev := 0.0
	for k := range lo {
		f := lo[k] - hi[k] + prev
		if k < len(up) {
			f += up[k] - down[k]
			prev = down[k] - up[k]
		}
		out[k] -= m * f
		out[k+1] += m * f
	}
	if len(need) == 0 {
		return
	}
	clear(pr.e)
	for k, q := 0, 0; q < len(need); k++ {
		var e0, e1, e2 float64
		for _, c := range pr.class[q:min(q+pr.r, len(need))] {
			w := &pr.w[c]
			v := need[q]
			e0 += w[0] * v
			e1 += w[1] * v
			e2 += w[2] * v
			q++
		}
		pr.e[k] += e0
		pr.e[k+1] += e1
		pr.e[k+2] += e2
	}
	far := out[pr.m:]
	for i, v := range pr.e[:pr.needCells+2] {
		out[i] -= v
		far[i] += v
	}
}

// assemble sets h = A' diag(y/s) A with coefficient 0 held fixed: the
// programme does not change when all of D is shifted.
func (pr *program) assemble(h *band, s, y []float64) {
	h.clear()
	need, lo, hi, up, down := pr.split(s)
	yNeed, yLo, yHi, yUp, yDown := pr.split(y)
	m2 := float64(pr.m) * float64(pr.m)
	for k := range lo {
		v := m2 * (yLo[k]/lo[k] + yHi[k]/hi[k])
		h.add(k, k, v)
		h.add(k+1, k, -v)
		h.add(k+1, k+1, v)
	}
	for k := range up {
		v := m2 * (yUp[k]/up[k] + yDown[k]/down[k])
		h.add(k, k, v)
		h.add(k+1, k, -2*v)
		h.add(k+1, k+1, 4*v)
		h.add(k+2, k, v)
		h.add(k+2, k+1, -2*v)
		h.add(k+2, k+2, v)
	}
	clear(pr.eh)
	for k, q := 0, 0; q < len(need); k++ {
		var h00, h01, h02, h11, h12, h22 float64
		for _, c := range pr.class[q:min(q+pr.r, len(need))] {
			w := &pr.w[c]
			v := yNeed[q] / need[q]
			v0, v1, v2 := v*w[0], v*w[1], v*w[2]
			h00 += v0 * w[0]
			h01 += v0 * w[1]
			h02 += v0 * w[2]
			h11 += v1 * w[1]
			h12 += v1 * w[2]
			h22 += v2 * w[2]
			q++
		}
		pr.eh[k][0] += h00
		pr.eh[k][1] += h01
		pr.eh[k][2] += h02
		pr.eh[k+1][0] += h11
		pr.eh[k+1][1] += h12
		pr.eh[k+2][0] += h22
	}
	// e[i] = c[i+m]-c[i]; row i of eh holds entries (i,i), (i,i+1), (i,i+2).
	m := pr.m
	for i := 0; i < pr.needCells+2; i++ {
		t := pr.eh[i]
		h.add(i, i, t[0])
		h.add(i+m, i, -t[0])
		h.add(i+m, i+m, t[0])
		for d := 1; d <= 2 && i+d < pr.needCells+2; d++ {
			h.add(i+d, i, t[d])
			h.add(i+m+d, i+m, t[d])
			h.add(i+m+d, i, -t[d])
			h.add(i+m, i+d, -t[d])
		}
	}
	h.a[h.w] = 1
	for i := 1; i <= min(h.w, h.n-1); i++ {
		h.a[i*(h.w+1)-i+h.w] = 0
	}
}

// slack sets s = A x - b.
func (pr *program) slack(x, s []float64) {
	pr.apply(x, s)
	need, lo, hi, up, down := pr.split(s)
	for q := range need {
		need[q] -= pr.needUM[q] / pr.unitUM
	}
	sigma := pr.sigmaUM / pr.unitUM
	for k := range lo {
		lo[k] -= pr.minP
		hi[k] += pr.maxP
	}
	for k := range up {
		up[k] += sigma
		down[k] += sigma
	}
}
