package lab

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// tree describes everything below a folder: mode, size, content.
func tree(root string) (map[string]string, error) {
	t := map[string]string{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		what := info.Mode().String()
		if info.Mode().IsRegular() {
			sum, err := hashFile(path)
			if err != nil {
				return err
			}
			what += fmt.Sprint(" ", info.Size(), " ", sum)
		}
		rel, err := filepath.Rel(root, path)
		t[rel] = what
		return err
	})
	return t, err
}

// differences says in words what changed from one tree to another.
func differences(before, after map[string]string) []string {
	var d []string
	for path, what := range before {
		if now, there := after[path]; !there {
			d = append(d, path+" is gone")
		} else if now != what {
			d = append(d, path+" was "+what+", is "+now)
		}
	}
	for path := range after {
		if _, was := before[path]; !was {
			d = append(d, path+" is new")
		}
	}
	slices.Sort(d)
	return d
}

// files lists the regular files below a folder, relative to it.
func files(root string) ([]string, error) {
	var list []string
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if os.IsNotExist(err) {
			return nil // it went while we looked
		}
		if err != nil {
			return err
		}
		if d.Type().IsRegular() {
			rel, err := filepath.Rel(root, path)
			list = append(list, filepath.ToSlash(rel))
			return err
		}
		return nil
	})
	return list, err
}

// objects is where the store's keys are files.
func (l *Lab) objects() string {
	if l.S3 != nil {
		return filepath.Join(l.S3.root, l.S3.Bucket, filepath.FromSlash(l.S3.Prefix))
	}
	return l.Volume("store")
}

// results lists, for each job, the attempts with anything below result/.
func (l *Lab) results() (map[string][]string, error) {
	jobs, err := filepath.Glob(filepath.Join(l.objects(), "result", "*", "*"))
	if err != nil {
		return nil, err
	}
	found := map[string][]string{}
	for _, at := range jobs {
		f, err := files(at)
		if err != nil {
			return nil, err
		}
		if len(f) > 0 {
			id := filepath.Base(filepath.Dir(at))
			found[id] = append(found[id], filepath.Base(at))
		}
	}
	return found, nil
}

// leftIn lists files below a folder whose path holds none of the given parts.
func leftIn(root string, but ...string) []string {
	list, err := files(root)
	if err != nil {
		return nil // never made
	}
	return slices.DeleteFunc(list, func(f string) bool {
		return slices.ContainsFunc(but, func(b string) bool { return strings.Contains(f, b) })
	})
}
