package wav

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// AppendCues puts cue points behind a finished file of this package that has
// none, for marks that are known only after the sound was written. frames is the
// length of the sound. The samples are not touched. It reports false, and leaves
// the file alone, if the marks would take it past 4 GiB without RF64.
func AppendCues(f io.ReadWriteSeeker, frames int64, cues []Cue) (done bool, err error) {
	if err := checkCues(cues); err != nil {
		return false, err
	}
	var head [28]byte // RIFF, size, WAVE, first chunk's head, first 8 bytes of it
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	rf64 := string(head[:4]) == "RF64" && string(head[12:16]) == "ds64"
	if string(head[8:12]) != "WAVE" || !rf64 && string(head[:4]) != "RIFF" {
		return false, errors.New("adding cue points: not a WAVE file of this program")
	}
	tail, err := (&Writer{params: WriterParams{Cues: cues}, frames: frames}).tail()
	if err != nil {
		return false, err
	}
	end, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	size := end + int64(len(tail)) - chunkHeadBytes
	if !rf64 && size > maxRIFF {
		return false, nil
	}
	if _, err := f.Write(tail); err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	at, field := int64(4), binary.LittleEndian.AppendUint32(nil, uint32(size))
	if rf64 {
		at, field = 20, binary.LittleEndian.AppendUint64(nil, uint64(size))
	}
	if _, err := f.Seek(at, io.SeekStart); err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	if _, err := f.Write(field); err != nil {
		return false, fmt.Errorf("adding cue points: %w", err)
	}
	return true, nil
}
