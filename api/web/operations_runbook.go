package web

import (
	"net/http"
	"strings"
)

// chapter is one heading of the runbook with what stands below it.
type chapter struct {
	Name   string // the heading, which is also its place
	Blocks []block
}

// block is a paragraph, a list, lines of a command or a table.
type block struct {
	Text  []span // of a paragraph
	Items [][]span
	Code  string
	Head  [][]span // of a table
	Rows  [][]cell
}

// cell is one of a table, with the words at the head of its column.
type cell struct {
	Label string
	Text  []span
}

// span is a piece of text: plain, a piece of code, or a link within the page.
type span struct {
	Text string
	Code bool
	Href string
}

// chapters reads the little of Markdown that the runbook uses: headings,
// paragraphs, lists, indented or fenced commands, tables, `code` and [links](#place).
func chapters(text string) []chapter {
	var out []chapter
	c := chapter{}
	var para, code []string
	var items, rows [][]string
	flush := func() {
		if len(para) > 0 {
			c.Blocks = append(c.Blocks, block{Text: spans(strings.Join(para, " "))})
		}
		if len(items) > 0 {
			b := block{}
			for _, it := range items {
				b.Items = append(b.Items, spans(strings.Join(it, " ")))
			}
			c.Blocks = append(c.Blocks, b)
		}
		if len(rows) > 0 {
			c.Blocks = append(c.Blocks, table(rows))
		}
		if len(code) > 0 {
			c.Blocks = append(c.Blocks, block{Code: strings.Join(code, "\n")})
		}
		para, items, rows, code = nil, nil, nil, nil
	}
	fenced := false
	for l := range strings.Lines(text) {
		l = strings.TrimRight(l, "\r\n ")
		switch {
		case strings.HasPrefix(l, "```"):
			if !fenced {
				flush()
			}
			if fenced = !fenced; !fenced {
				flush()
			}
		case fenced:
			code = append(code, l)
		case l == "":
			flush()
		case strings.HasPrefix(l, "#"):
			flush()
			out = append(out, c)
			c = chapter{Name: strings.TrimSpace(strings.TrimLeft(l, "#"))}
		case strings.HasPrefix(l, "|"):
			if len(rows) == 0 {
				flush()
			}
			rows = append(rows, strings.Split(strings.Trim(l, "|"), "|"))
		case strings.HasPrefix(l, "- "):
			if len(items) == 0 {
				flush()
			}
			items = append(items, []string{l[2:]})
		case strings.HasPrefix(l, "    ") && len(para) == 0 && len(items) == 0:
			code = append(code, l[4:])
		case len(items) > 0:
			items[len(items)-1] = append(items[len(items)-1], strings.TrimSpace(l))
		default:
			para = append(para, strings.TrimSpace(l))
		}
	}
	flush()
	out = append(out, c)
	if out[0].Name == "" && len(out[0].Blocks) == 0 {
		out = out[1:]
	}
	return out
}

// table makes a table of its lines; the second divides the head from the rest.
func table(lines [][]string) block {
	b := block{}
	for i, l := range lines {
		var row []cell
		for j, text := range l {
			text = strings.TrimSpace(text)
			if i == 0 {
				b.Head = append(b.Head, spans(text))
				continue
			}
			c := cell{Text: spans(text)}
			if j < len(lines[0]) {
				c.Label = strings.TrimSpace(lines[0][j])
			}
			row = append(row, c)
		}
		if i > 1 {
			b.Rows = append(b.Rows, row)
		}
	}
	return b
}

// spans cuts a paragraph into its pieces. Links elsewhere than within the page
// stay text.
func spans(s string) []span {
	var out []span
	add := func(p span) {
		if p.Text != "" {
			out = append(out, p)
		}
	}
	for s != "" {
		i := strings.IndexAny(s, "`[")
		if i < 0 {
			break
		}
		if s[i] == '`' {
			if code, rest, ok := strings.Cut(s[i+1:], "`"); ok {
				add(span{Text: s[:i]})
				add(span{Text: code, Code: true})
				s = rest
				continue
			}
		} else if word, rest, ok := strings.Cut(s[i+1:], "](#"); ok && !strings.ContainsAny(word, "[]`") {
			if place, rest, ok := strings.Cut(rest, ")"); ok {
				add(span{Text: s[:i]})
				add(span{Text: word, Href: "#" + place})
				s = rest
				continue
			}
		}
		add(span{Text: s[:i+1]})
		s = s[i+1:]
	}
	add(span{Text: s})
	return out
}

func (o *operating) runbook(w http.ResponseWriter, r *http.Request) {
	o.show(w, r, http.StatusOK, "runbook", frame{Title: "Runbook", Here: "operations", Who: whoOf(r.Context()), Body: o.chapters})
}
