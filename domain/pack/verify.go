package pack

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"slices"
	"strings"
)

// VerifyOptions are what the reader of a package may know besides the file.
type VerifyOptions struct {
	Previous     io.ReaderAt       // the package of the month before
	PreviousSize int64             //
	Month        io.ReaderAt       // of a job's file: the package of a month that shows the job
	MonthSize    int64             //
	PublicKey    ed25519.PublicKey // who must have signed; nil: any key, named in the report
	MaxBytes     int64             // unpacked; 0 is DefaultMaxBytes
}

// A verifier is one run of Verify.
type verifier struct {
	*findings
	opts   VerifyOptions
	pack   *container
	head   Head
	counts counts
	report Report
	lists  map[string]string // path → digest, of both manifests
	views  []viewJSON
	rows   int64           // of all tables, so far
	broken map[string]bool // what could not be split into rows, by path
	grown  bool            // the package before has another schema version
}

// Verify checks a package with nothing but the file. The error is for what
// cannot be read at all; see the package's documentation for what a Report
// can find.
func Verify(r io.ReaderAt, size int64, opts VerifyOptions) (Report, error) {
	if opts.MaxBytes <= 0 {
		opts.MaxBytes = DefaultMaxBytes
	}
	open, err := openContainer(r, size, opts.MaxBytes)
	if err != nil {
		return Report{}, err
	}
	v := &verifier{findings: newFindings(), opts: opts, pack: open, lists: map[string]string{}, broken: map[string]bool{}}
	if v.report.SHA256, err = digestOf(r, size); err != nil {
		return Report{}, err
	}
	for _, step := range []func() error{v.readHead, v.readLists, v.checkDigests, v.checkSignature, v.checkTables} {
		if err := step(); err != nil {
			return Report{}, err
		}
	}
	v.report.Checks, v.report.Holds = v.findings.report()
	return v.report, nil
}

func digestOf(r io.ReaderAt, size int64) (string, error) {
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(r, 0, size)); err != nil {
		return "", unreadable("%v", err)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

func (v *verifier) readHead() error {
	text, err := v.pack.read(bagInfoName)
	if err != nil {
		return err
	}
	bagit, err := v.pack.read(bagitName)
	if err != nil {
		return err
	}
	v.checked(CheckBag, "bag-info.txt is complete, the folder has the package's name")
	if string(bagit) != bagitText {
		v.fault(CheckBag, bagitName, 0, "", "is not that of BagIt 1.0 in UTF-8")
	}
	if v.head, v.counts, err = parseBagInfo(text); err != nil {
		v.fault(CheckBag, bagInfoName, 0, "", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	v.report.Name = v.head.Name()
	if v.pack.folder != "" && v.pack.folder != v.report.Name {
		v.fault(CheckBag, bagInfoName, 0, "", "names the package %s, the folder is %q", v.report.Name, v.pack.folder)
	}
	return nil
}

// readLists reads both manifests and compares them with what is there.
func (v *verifier) readLists() error {
	v.checked(CheckFiles, "%d files, each in one manifest", len(v.pack.paths))
	for _, list := range []string{manifestName, tagManifestName} {
		text, err := v.pack.read(list)
		if err != nil {
			return err
		}
		for i, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
			digest, path, ok := strings.Cut(line, "  ")
			if !ok || !sha256Form.MatchString(digest) {
				v.fault(CheckFiles, list, int64(i+1), "", "is not a SHA-256, two spaces and a path")
				continue
			}
			payload := strings.HasPrefix(path, "data/")
			switch {
			case payload != (list == manifestName) || path == tagManifestName || path == signatureName:
				v.fault(CheckFiles, list, int64(i+1), "", "%q does not belong into this list", path)
			case v.lists[path] != "":
				v.fault(CheckFiles, list, int64(i+1), "", "%q stands twice", path)
			case v.pack.files[path] == nil:
				v.fault(CheckFiles, path, 0, "", "is listed and missing")
			default:
				v.lists[path] = digest
			}
		}
	}
	var octets, streams int64
	for _, path := range v.pack.paths {
		if strings.HasPrefix(path, "data/") {
			octets += int64(v.pack.files[path].UncompressedSize64)
			streams++
		}
		if v.lists[path] == "" && path != tagManifestName && path != signatureName {
			v.fault(CheckFiles, path, 0, "", "is there and not listed")
		}
	}
	if octets != v.counts.octets || streams != v.counts.streams {
		v.fault(CheckFiles, bagInfoName, 0, "", "Payload-Oxum is %d.%d, there are %d.%d", v.counts.octets, v.counts.streams, octets, streams)
	}
	return nil
}

func (v *verifier) checkDigests() error {
	v.checked(CheckDigests, "SHA-256 of %d files", len(v.lists))
	for _, path := range v.pack.paths {
		sum := sha256.New()
		err := v.pack.each(path, func(r io.Reader) error {
			_, err := io.Copy(sum, r)
			return err
		})
		if err != nil {
			return err
		}
		if want := v.lists[path]; want != "" && want != hex.EncodeToString(sum.Sum(nil)) {
			v.fault(CheckDigests, path, 0, "", "has another SHA-256 than the manifest says")
		}
	}
	return nil
}

func (v *verifier) checkSignature() error {
	v.report.Signature = unsigned
	if v.pack.files[signatureName] == nil {
		v.checked(CheckSignature, "not signed")
		if v.counts.signer != unsigned {
			v.fault(CheckSignature, signatureName, 0, "", "is missing; bag-info.txt says that the package is signed")
		}
		if v.opts.PublicKey != nil {
			v.fault(CheckSignature, signatureName, 0, "", "is missing; a signature of %s was asked for", Fingerprint(v.opts.PublicKey))
		}
		return nil
	}
	armored, err := v.pack.read(signatureName)
	if err != nil {
		return err
	}
	tags, err := v.pack.read(tagManifestName)
	if err != nil {
		return err
	}
	pub, err := openSignature(armored, tags)
	if err != nil {
		v.checked(CheckSignature, "")
		v.fault(CheckSignature, signatureName, 0, "", "%v", err)
		return nil
	}
	v.report.Signature = sshKeyType + " " + Fingerprint(pub)
	v.checked(CheckSignature, "%s; whose key that is was not asked", v.report.Signature)
	if v.opts.PublicKey != nil {
		v.checked(CheckSignature, "%s, the key asked for", v.report.Signature)
		if !bytes.Equal(pub, v.opts.PublicKey) {
			v.fault(CheckSignature, signatureName, 0, "", "is by %s, asked for was %s", Fingerprint(pub), Fingerprint(v.opts.PublicKey))
		}
	}
	if v.counts.signer != v.report.Signature {
		v.fault(CheckSignature, bagInfoName, 0, "", "names the signer %q, the signature is by %q", v.counts.signer, v.report.Signature)
	}
	return nil
}

// describe reads the descriptor: the tables in order, control last.
func (v *verifier) describe() (layouts []*layout, err error) {
	v.checked(CheckDescriptor, "every file of data/ is described")
	if v.pack.files[descriptorName] == nil {
		v.fault(CheckDescriptor, descriptorName, 0, "", "is missing")
		return nil, nil
	}
	text, err := v.pack.read(descriptorName)
	if err != nil {
		return nil, err
	}
	p, tables, err := parseDescriptor(text)
	v.views = p.Views
	if err == nil {
		layouts, err = newLayouts(tables)
	}
	if err == nil && p.Name != strings.ToLower(v.head.Name()) {
		err = errors.New("is that of package " + p.Name)
	}
	if err == nil && p.Version != v.head.SchemaVersion {
		err = errors.New("has schema version " + p.Version + ", bag-info.txt says " + v.head.SchemaVersion)
	}
	if err != nil {
		v.fault(CheckDescriptor, descriptorName, 0, "", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
		return nil, nil
	}
	described := []string{descriptorName}
	for _, t := range tables {
		described = append(described, "data/"+t.file())
		if v.pack.files["data/"+t.file()] == nil {
			v.fault(CheckDescriptor, "data/"+t.file(), 0, "", "is described and missing")
		}
	}
	for _, path := range v.pack.paths {
		if strings.HasPrefix(path, "data/") && !slices.Contains(described, path) {
			v.fault(CheckDescriptor, path, 0, "", "is not described")
		}
	}
	return layouts, nil
}
