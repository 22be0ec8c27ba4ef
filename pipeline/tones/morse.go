package tones

// morse holds the signs of International Morse code used here (ITU-R M.1677-1,
// 2009, from memory): letters and figures.
var morse = map[rune]string{
	'A': ".-", 'B': "-...", 'C': "-.-.", 'D': "-..", 'E': ".", 'F': "..-.", 'G': "--.", 'H': "....", 'I': "..", 'J': ".---",
	'K': "-.-", 'L': ".-..", 'M': "--", 'N': "-.", 'O': "---", 'P': ".--.", 'Q': "--.-", 'R': ".-.", 'S': "...", 'T': "-",
	'U': "..-", 'V': "...-", 'W': ".--", 'X': "-..-", 'Y': "-.--", 'Z': "--..",
	'0': "-----", '1': ".----", '2': "..---", '3': "...--", '4': "....-", '5': ".....", '6': "-....", '7': "--...", '8': "---..", '9': "----.",
}

// dotS is the length of a dot: 12 words a minute.
const dotS = 0.1

// beep is a stretch of announcing tone.
type beep struct{ startS, endS float64 }

// beeps spells a word: a dash lasts three dots, one dot parts the signs of a
// letter, three part letters (ITU-R M.1677-1, Part I, section 2). It returns
// the beeps from time 0 and the length. Characters without a sign are left out.
func beeps(word string) (out []beep, lengthS float64) {
	t := 0.0
	for _, r := range word {
		code, ok := morse[r]
		if !ok {
			continue
		}
		if len(out) > 0 {
			t += 3 * dotS
		}
		for i, c := range code {
			if i > 0 {
				t += dotS
			}
			d := dotS
			if c == '-' {
				d = 3 * dotS
			}
			out = append(out, beep{t, t + d})
			t += d
		}
	}
	return out, t
}

// Spelled is a word in dots and dashes, letters parted by a space.
func Spelled(word string) string {
	s := ""
	for _, r := range word {
		if code, ok := morse[r]; ok {
			if s != "" {
				s += " "
			}
			s += code
		}
	}
	return s
}
