package web

import (
	"encoding/json"
	"net/http"
	"net/url"

	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/tones"
)

// maxTestCutQuery bounds the address of a test cut, which carries its room: some
// servers on the way take no more than 4 KiB.
const maxTestCutQuery = 3500

// testCutView is the page of test cuts: the form, and what it made.
type testCutView struct {
	roomFaults
	Cautions []string
	Disc     string
	Room     string       // as sent, kept from one form to the next
	room     groove.Room  // that of Room; set by plan
	Cut      *tones.Sheet // nil: none yet
	Files    []testCutFile
}

// testCutFile is a link to one of its files, in words.
type testCutFile struct{ Name, Href, Word, What string }

// Discs are the choices of a disc.
func (v *testCutView) Discs() []choice {
	var out []choice
	for _, id := range groove.DiscIDs() {
		out = append(out, choice{id, discWords(id), id == v.Disc})
	}
	return out
}

// plan lays out what was asked for; nil when there are faults.
func (v *testCutView) plan() *tones.Sheet {
	v.room = v.roomOf(&v.Room)
	disc, err := groove.LookupDisc(v.Disc)
	if err != nil {
		v.fault("disc", err.Error(), "")
	} else if err := disc.WithRadii(v.room.Radius).Validate(); err != nil {
		v.fault("room", err.Error(), "")
	}
	if len(v.roomFaults) > 0 {
		return nil
	}
	sheet, err := tones.Plan(disc, v.room)
	if err != nil {
		v.fault("disc", err.Error(), "")
		return nil
	}
	return sheet
}

// query is the address of a planned test cut after its path: the room stands in it
// written out, so that the same address has the same bytes and nothing is stored.
func (v *testCutView) query() string {
	q := url.Values{"disc": {v.Disc}}
	if v.Room == "" {
		return q.Encode()
	}
	text, err := json.Marshal(v.room)
	if err != nil {
		v.learn("room", err)
		return ""
	}
	q.Set("room", string(text))
	if len(q.Encode()) > maxTestCutQuery {
		v.fault("room", "this room has more to say than fits an address", "shorten its name or its list of tips, or let the command write the test cut")
	}
	return q.Encode()
}

// TestCut lays out the test cut that an address names: disc, and room as the text
// of a room file, generic without. The error is a *v1.Problem with every fault.
func TestCut(q url.Values) (*tones.Sheet, error) {
	v := &testCutView{roomFaults: roomFaults{}, Disc: q.Get("disc"), Room: q.Get("room")}
	sheet := v.plan()
	if sheet != nil {
		return sheet, nil
	}
	p := v1.NewProblem(v1.Invalid, "this address names no test cut")
	for _, field := range []string{"disc", "room"} {
		for _, f := range v.roomFaults[field] {
			p.Faults = append(p.Faults, v1.Fault{Line: f.Line, Column: f.Column, Path: "query." + field, Code: f.Code, Detail: f.Detail, Hint: f.Hint})
		}
	}
	return nil, p
}

// testCut shows the form, and the test cut when the address names one.
func (p *Pages) testCut(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	v := &testCutView{roomFaults: roomFaults{}, Disc: q.Get("disc"), Room: q.Get("room")}
	if !q.Has("disc") && !q.Has("room") {
		v.Disc = groove.DefaultDiscID
		p.showTestCut(w, r, http.StatusOK, v)
		return
	}
	if v.Cut = v.plan(); v.Cut == nil {
		p.showTestCut(w, r, http.StatusUnprocessableEntity, v)
		return
	}
	sound, err := v.Cut.Sound()
	if err != nil {
		p.fail(w, r, err)
		return
	}
	at := "?" + v.query()
	for _, f := range []testCutFile{
		{tones.SoundName, "", "Download the sound", bytesWords(sound.Bytes()) + ", 24 bit, for the lathe"},
		{tones.PageName, "", "Open the sheet", "to print, with blanks for the readings"},
		{tones.JSONName, "", "Download the sheet for the fit", "keep it until the readings are in"},
		{tones.TextName, "", "Download the sheet as text", "the same, plain"},
	} {
		f.Href = "/rooms/tones/" + f.Name + at
		v.Files = append(v.Files, f)
	}
	p.showTestCut(w, r, http.StatusOK, v)
}

func (p *Pages) showTestCut(w http.ResponseWriter, r *http.Request, status int, v *testCutView) {
	v.Cautions = tones.Cautions()
	title := "Test cut"
	if v.Cut != nil {
		title = "Test cut for " + v.Cut.Room + ", " + v.Cut.Disc
	}
	p.show(w, r, status, "testcut", frame{Title: title, Here: "rooms", Who: whoOf(r.Context()), Body: v})
}

// makeTestCut takes the form and leads to the test cut's own address.
func (p *Pages) makeTestCut(w http.ResponseWriter, r *http.Request) {
	v := &testCutView{roomFaults: roomFaults{}}
	if err := v.readForm(w, r, []string{"room"}, func(field, _, text string) {
		if field == "disc" {
			v.Disc = text
		}
		takeRoom(&v.Room, field, text)
	}); err != nil {
		if status, is := v.tooLarge(err, "room", "is this the right file?"); is {
			p.showTestCut(w, r, status, v)
			return
		}
		p.fail(w, r, err)
		return
	}
	if v.plan() != nil {
		if at := v.query(); len(v.roomFaults) == 0 {
			seeOther(w, r, "/rooms/tones?"+at)
			return
		}
	}
	p.showTestCut(w, r, http.StatusUnprocessableEntity, v)
}
