package gum

import (
	"math"
	"slices"
)

// Input is one source of uncertainty: an instrument's gain, an offset, a
// scatter. Values that depend on the same input are correlated through it.
type Input struct {
	Name string
	// U is the standard uncertainty in the input's own unit.
	U float64
	// DoF are its degrees of freedom; 0 stands for infinitely many (type B).
	DoF float64
	// Shape is how the input is distributed.
	Shape Shape
	// Shared marks an error that is the instrument's own and the same whenever
	// that instrument measures: two articles on one bench have it in common.
	Shared bool
}

// Shape is the kind of an input's distribution.
type Shape uint8

// Shapes. A Gaussian input with degrees of freedom has Student's distribution.
const (
	Gaussian Shape = iota
	Box            // rectangular
	Tent           // triangular
)

// Rectangular is an input known to lie within plus or minus halfWidth, every
// place equally likely: u = a/sqrt(3) (GUM 4.3.7).
func Rectangular(name string, halfWidth float64) *Input {
	return &Input{Name: name, U: math.Abs(halfWidth) / math.Sqrt(3), Shape: Box}
}

// Triangular is the same with the middle likelier: u = a/sqrt(6) (GUM 4.3.9).
func Triangular(name string, halfWidth float64) *Input {
	return &Input{Name: name, U: math.Abs(halfWidth) / math.Sqrt(6), Shape: Tent}
}

// Normal is an input with standard uncertainty u and dof degrees of freedom, 0
// for infinitely many.
func Normal(name string, u, dof float64) *Input {
	return &Input{Name: name, U: math.Abs(u), DoF: dof}
}

// Own is a rectangular input that an instrument carries from article to article.
func Own(name string, halfWidth float64) *Input {
	in := Rectangular(name, halfWidth)
	in.Shared = true
	return in
}

// term is a value's sensitivity to one input.
type term struct {
	in *Input
	c  float64
}

// Value is a number with its sensitivities. The zero Value is exactly 0.
type Value struct {
	x     float64
	terms []term
}

// Exact is a value without uncertainty.
func Exact(x float64) Value { return Value{x: x} }

// New is the value x with the given inputs, each with sensitivity 1.
func New(x float64, inputs ...*Input) Value {
	v := Value{x: x}
	for _, in := range inputs {
		v = v.With(in, 1)
	}
	return v
}

// With adds c to the value's sensitivity to the input.
func (v Value) With(in *Input, c float64) Value {
	terms := slices.Clone(v.terms)
	for i := range terms {
		if terms[i].in == in {
			terms[i].c += c
			return Value{v.x, terms}
		}
	}
	return Value{v.x, append(terms, term{in, c})}
}

// X is the best estimate.
func (v Value) X() float64 { return v.x }

// Sensitivity is the partial derivative with respect to the input.
func (v Value) Sensitivity(in *Input) float64 {
	for _, t := range v.terms {
		if t.in == in {
			return t.c
		}
	}
	return 0
}

// Combine returns f(values...), where x is f at the estimates and d its partial
// derivatives there (GUM 5.1).
func Combine(x float64, d []float64, values ...Value) Value {
	out := Value{x: x}
	for i, v := range values {
		for _, t := range v.terms {
			out = out.With(t.in, d[i]*t.c)
		}
	}
	return out
}

// Add is a+b.
func Add(a, b Value) Value { return Combine(a.x+b.x, []float64{1, 1}, a, b) }

// Sub is a-b.
func Sub(a, b Value) Value { return Combine(a.x-b.x, []float64{1, -1}, a, b) }

// Mul is a*b.
func Mul(a, b Value) Value { return Combine(a.x*b.x, []float64{b.x, a.x}, a, b) }

// Div is a/b; the caller has made sure that b is not 0.
func Div(a, b Value) Value {
	q := a.x / b.x
	return Combine(q, []float64{1 / b.x, -q / b.x}, a, b)
}

// Scale is k*a for an exact k.
func Scale(k float64, a Value) Value { return Combine(k*a.x, []float64{k}, a) }

// Mean is the arithmetic mean; without values it is exactly 0.
func Mean(values ...Value) Value {
	if len(values) == 0 {
		return Value{}
	}
	sum := Value{}
	for _, v := range values {
		sum = Add(sum, v)
	}
	return Scale(1/float64(len(values)), sum)
}
