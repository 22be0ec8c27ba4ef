package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// minus is the typographic minus sign: the hyphen is too short beside digits.
const minus = "\u2212"

// absent stands for a value that does not exist.
const absent = "\u2013"

// number prints v with that many decimals, grouped thousands and a true minus.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	whole, frac, _ := strings.Cut(s, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "\u202f" + whole[i:]
	}
	if frac != "" {
		whole += "." + frac
	}
	if v < 0 && strings.Trim(s, "0.") != "" {
		return minus + whole
	}
	return whole
}

// signed is number with a plus sign before what is not negative or zero.
func signed(v float64, decimals int) string {
	s := number(v, decimals)
	if !strings.HasPrefix(s, minus) && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// unitText is a unit as printed: the JSON names stay ASCII, pages do not.
func unitText(u string) string {
	switch u {
	case "um":
		return "µm"
	case "um/s":
		return "µm/s"
	case "m/s2":
		return "m/s²"
	case "deg":
		return "°"
	case "1/in":
		return "lines/in"
	case "1/min":
		return "rev/min"
	case "dB s":
		return "dB·s"
	}
	return u
}

var (
	// proseUnits are ASCII units as other packages write them into sentences,
	// where a number stands before them; bareUnits stand alone.
	proseUnits = regexp.MustCompile(`([0-9]) (um/s|um|m/s2)\b`)
	bareUnits  = regexp.MustCompile(`\b(um/s|um|m/s2)\b`)
	// proseMinus is a hyphen that means a negative number.
	proseMinus = regexp.MustCompile(`(^|[ (])-([0-9])`)
	proseSigns = strings.NewReplacer("V2/R", "V²/R", "tan(beta)/sqrt2", "tan β/√2", "33 1/3", "33⅓")
)

// prose prepares a sentence written elsewhere for a page.
func prose(s string) string {
	s = proseUnits.ReplaceAllStringFunc(s, func(m string) string {
		return m[:1] + "\u202f" + unitText(m[2:])
	})
	return proseSigns.Replace(proseMinus.ReplaceAllString(s, "${1}"+minus+"${2}"))
}

// meaning prepares the documentation of a field: there a unit also stands
// alone, as in "um of pitch per second".
func meaning(s string) string { return bareUnits.ReplaceAllStringFunc(prose(s), unitText) }

// with puts the unit behind a number; a narrow no-break space keeps them on
// one line. A plain ratio is marked with the sign of multiplication.
func with(num, unit string) string {
	switch unit {
	case "":
		return num
	case "ratio":
		return "×" + num
	case "deg":
		return num + "°"
	}
	return num + "\u202f" + unitText(unit)
}

// quantity prints a value with its unit, or the dash if it does not exist.
func quantity(v *float64, decimals int, unit string) string {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return absent
	}
	return with(number(*v, decimals), unit)
}

// clock prints seconds as m:ss.mmm; negative times and times beyond what a
// disc can hold are printed all the same.
func clock(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) || math.Abs(s) > 1e9 {
		return absent
	}
	sign := ""
	if s < 0 {
		sign = minus
	}
	ms := int64(math.Round(math.Abs(s) * 1000))
	if ms == 0 {
		sign = ""
	}
	return fmt.Sprintf("%s%d:%02d.%03d", sign, ms/60000, ms/1000%60, ms%1000)
}

// clockShort prints seconds as m:ss, for axes and lengths.
func clockShort(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) || math.Abs(s) > 1e9 {
		return absent
	}
	t := int64(math.Round(math.Abs(s)))
	sign := ""
	if s < 0 && t > 0 {
		sign = minus
	}
	return fmt.Sprintf("%s%d:%02d", sign, t/60, t%60)
}

// duration prints a length of time: seconds below a minute, m:ss above.
func duration(s float64) string {
	if math.Abs(s) < 60 {
		return with(number(s, 1), "s")
	}
	return clockShort(s) + "\u202fmin"
}

// bytesText prints a file size in decimal units.
func bytesText(n int64) string {
	switch {
	case n >= 1e9:
		return with(number(float64(n)/1e9, 2), "GB")
	case n >= 1e6:
		return with(number(float64(n)/1e6, 1), "MB")
	case n >= 1e3:
		return with(number(float64(n)/1e3, 1), "kB")
	}
	return with(number(float64(n), 0), "bytes")
}

// plural counts things.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return number(float64(n), 0) + " " + many
}
