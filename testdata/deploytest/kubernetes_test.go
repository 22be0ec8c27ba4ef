package deploytest

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	apps "k8s.io/api/apps/v1"
	core "k8s.io/api/core/v1"
	network "k8s.io/api/networking/v1"
	policy "k8s.io/api/policy/v1"
	meta "k8s.io/apimachinery/pkg/apis/meta/v1"
	"k8s.io/apimachinery/pkg/labels"
	"k8s.io/apimachinery/pkg/util/intstr"
	"sigs.k8s.io/yaml"
)

const deployDir = "../../deploy"

// scaled is what we use of KEDA's ScaledObject, keda.sh/v1alpha1.
type scaled struct {
	meta.TypeMeta   `json:",inline"`
	meta.ObjectMeta `json:"metadata"`
	Spec            struct {
		ScaleTargetRef  struct{ APIVersion, Kind, Name string } `json:"scaleTargetRef"`
		PollingInterval int                                     `json:"pollingInterval"`
		MinReplicaCount int                                     `json:"minReplicaCount"`
		MaxReplicaCount int                                     `json:"maxReplicaCount"`
		Fallback        struct{ FailureThreshold, Replicas int }
		Advanced        struct {
			HorizontalPodAutoscalerConfig struct {
				Behavior map[string]any `json:"behavior"`
			} `json:"horizontalPodAutoscalerConfig"`
		}
		Triggers []struct {
			Type, Name, MetricType string
			Metadata               map[string]string
		}
	}
}

// pod is a template with whose it is.
type pod struct {
	owner  string
	labels labels.Set
	spec   core.PodSpec
}

// cluster is what the manifests make.
type cluster struct {
	files    map[string]bool
	pods     []pod
	claims   map[string][]string // of stateful sets: names of volumes
	services []core.Service
	configs  map[string]core.ConfigMap
	accounts map[string]bool
	budgets  []policy.PodDisruptionBudget
	networks []network.NetworkPolicy
	scaled   []scaled
}

func strict[T any](data []byte) (T, error) {
	var v T
	err := yaml.UnmarshalStrict(data, &v)
	return v, err
}

// loadCluster parses every manifest strictly: a field Kubernetes does not know
// is an error.
func loadCluster(dir string) (*cluster, error) {
	c := &cluster{files: map[string]bool{}, claims: map[string][]string{}, configs: map[string]core.ConfigMap{}, accounts: map[string]bool{}}
	paths, err := filepath.Glob(filepath.Join(dir, "*.yaml"))
	if err != nil || len(paths) < 2 {
		return nil, fmt.Errorf("%d manifests in %s (%v)", len(paths), dir, err)
	}
	for _, p := range paths {
		if filepath.Base(p) == "kustomization.yaml" {
			continue
		}
		c.files[filepath.Base(p)] = true
		data, err := os.ReadFile(p)
		if err != nil {
			return nil, err
		}
		for i, doc := range bytes.Split(data, []byte("\n---\n")) {
			if err := c.add(doc); err != nil {
				return nil, fmt.Errorf("%s, document %d: %w", filepath.Base(p), i+1, err)
			}
		}
	}
	return c, nil
}

func (c *cluster) add(doc []byte) error {
	var head struct {
		meta.TypeMeta   `json:",inline"`
		meta.ObjectMeta `json:"metadata"`
	}
	if err := yaml.Unmarshal(doc, &head); err != nil {
		return err
	}
	if head.Kind != "Namespace" && head.Namespace != "discsafe" {
		return fmt.Errorf("%s %s is in namespace %q", head.Kind, head.Name, head.Namespace)
	}
	var err error
	switch head.APIVersion + " " + head.Kind {
	case "v1 Namespace":
		_, err = strict[core.Namespace](doc)
	case "v1 ServiceAccount":
		_, err = strict[core.ServiceAccount](doc)
		c.accounts[head.Name] = true
	case "v1 ConfigMap":
		c.configs[head.Name], err = strict[core.ConfigMap](doc)
	case "v1 Service":
		var s core.Service
		s, err = strict[core.Service](doc)
		c.services = append(c.services, s)
	case "apps/v1 Deployment":
		var d apps.Deployment
		d, err = strict[apps.Deployment](doc)
		c.pods = append(c.pods, pod{d.Name, d.Spec.Template.Labels, d.Spec.Template.Spec})
		if err == nil && !matches(d.Spec.Selector, d.Spec.Template.Labels) {
			err = fmt.Errorf("%s does not select its own pods", d.Name)
		}
	case "apps/v1 StatefulSet":
		var s apps.StatefulSet
		s, err = strict[apps.StatefulSet](doc)
		c.pods = append(c.pods, pod{s.Name, s.Spec.Template.Labels, s.Spec.Template.Spec})
		for _, v := range s.Spec.VolumeClaimTemplates {
			c.claims[s.Name] = append(c.claims[s.Name], v.Name)
		}
	case "policy/v1 PodDisruptionBudget":
		var b policy.PodDisruptionBudget
		b, err = strict[policy.PodDisruptionBudget](doc)
		c.budgets = append(c.budgets, b)
	case "networking.k8s.io/v1 NetworkPolicy":
		var n network.NetworkPolicy
		n, err = strict[network.NetworkPolicy](doc)
		c.networks = append(c.networks, n)
	case "keda.sh/v1alpha1 ScaledObject":
		var s scaled
		s, err = strict[scaled](doc)
		c.scaled = append(c.scaled, s)
	default:
		err = fmt.Errorf("%s %s is a kind this test does not know", head.APIVersion, head.Kind)
	}
	return err
}

func matches(s *meta.LabelSelector, set map[string]string) bool {
	sel, err := meta.LabelSelectorAsSelector(s)
	return err == nil && sel.Matches(labels.Set(set))
}

func (c *cluster) selected(s *meta.LabelSelector) (list []pod) {
	for _, p := range c.pods {
		if matches(s, p.labels) {
			list = append(list, p)
		}
	}
	return list
}

func (p pod) opens(port intstr.IntOrString) bool {
	for _, c := range p.spec.Containers {
		for _, o := range c.Ports {
			if port.Type == intstr.String && o.Name == port.StrVal || port.Type == intstr.Int && o.ContainerPort == port.IntVal {
				return true
			}
		}
	}
	return false
}

// secretsIn lists the secrets that README.md has made, with their keys.
func secretsIn(readme string) map[string][]string {
	keys := map[string][]string{}
	for _, m := range regexp.MustCompile(`create secret generic (\S+) (.*)`).FindAllStringSubmatch(readme, -1) {
		keys[m[1]] = []string{}
		for _, k := range regexp.MustCompile(`--from-(?:literal|file)=([A-Za-z-]+)`).FindAllStringSubmatch(m[2], -1) {
			keys[m[1]] = append(keys[m[1]], k[1])
		}
	}
	return keys
}

// faults lists what does not fit together.
func (c *cluster) faults(secrets map[string][]string) (list []string) {
	bad := func(format string, a ...any) { list = append(list, fmt.Sprintf(format, a...)) }
	for _, p := range c.pods {
		p.faults(c, secrets, bad)
	}
	for _, s := range c.services {
		found := c.selected(&meta.LabelSelector{MatchLabels: s.Spec.Selector})
		if len(found) == 0 || len(s.Spec.Selector) == 0 {
			bad("service %s selects no pod", s.Name)
		}
		for _, p := range found {
			for _, port := range s.Spec.Ports {
				if !p.opens(port.TargetPort) {
					bad("service %s: pods of %s have no port %s", s.Name, p.owner, port.TargetPort.String())
				}
			}
		}
	}
	for _, b := range c.budgets {
		if len(c.selected(b.Spec.Selector)) == 0 {
			bad("disruption budget %s selects no pod", b.Name)
		}
	}
	for _, n := range c.networks {
		found := c.selected(&n.Spec.PodSelector)
		if len(found) == 0 {
			bad("network policy %s selects no pod", n.Name)
		}
		for _, in := range n.Spec.Ingress {
			for _, port := range in.Ports {
				if !slices.ContainsFunc(found, func(p pod) bool { return p.opens(*port.Port) }) {
					bad("network policy %s opens %s, which none of its pods listens on", n.Name, port.Port.String())
				}
			}
		}
		for _, out := range n.Spec.Egress {
			for _, to := range out.To {
				if to.PodSelector == nil {
					continue
				}
				for _, port := range out.Ports {
					for _, p := range c.selected(to.PodSelector) {
						if !p.opens(*port.Port) {
							bad("network policy %s lets out to %s of %s, which listens on no such port", n.Name, port.Port.String(), p.owner)
						}
					}
				}
			}
		}
	}
	for _, s := range c.scaled {
		t := s.Spec.ScaleTargetRef
		if t.Kind != "Deployment" || !slices.ContainsFunc(c.pods, func(p pod) bool { return p.owner == t.Name }) {
			bad("scaled object %s scales %s %s, which is not there", s.Name, t.Kind, t.Name)
		}
		if s.Spec.MinReplicaCount < 1 || s.Spec.MaxReplicaCount <= s.Spec.MinReplicaCount || s.Spec.Fallback.Replicas < s.Spec.MinReplicaCount {
			bad("scaled object %s: from %d to %d, else %d", s.Name, s.Spec.MinReplicaCount, s.Spec.MaxReplicaCount, s.Spec.Fallback.Replicas)
		}
	}
	return list
}

func (p pod) faults(c *cluster, secrets map[string][]string, bad func(string, ...any)) {
	if !c.accounts[p.spec.ServiceAccountName] {
		bad("%s: no service account %q", p.owner, p.spec.ServiceAccountName)
	}
	if s := p.spec.SecurityContext; s == nil || s.RunAsNonRoot == nil || !*s.RunAsNonRoot || s.RunAsUser == nil || *s.RunAsUser == 0 || s.SeccompProfile == nil {
		bad("%s: wants runAsNonRoot, a number as user, and a seccomp profile", p.owner)
	}
	volumes := slices.Clone(c.claims[p.owner])
	for _, v := range p.spec.Volumes {
		volumes = append(volumes, v.Name)
		if v.ConfigMap != nil {
			if _, there := c.configs[v.ConfigMap.Name]; !there {
				bad("%s: volume %s: no config map %s", p.owner, v.Name, v.ConfigMap.Name)
			}
		}
		if v.Secret != nil {
			for _, i := range v.Secret.Items {
				if !slices.Contains(secrets[v.Secret.SecretName], i.Key) {
					bad("%s: volume %s: README.md makes no secret %s with %s", p.owner, v.Name, v.Secret.SecretName, i.Key)
				}
			}
		}
	}
	for _, k := range p.spec.Containers {
		if s := k.SecurityContext; s == nil || s.ReadOnlyRootFilesystem == nil || !*s.ReadOnlyRootFilesystem || s.AllowPrivilegeEscalation == nil ||
			*s.AllowPrivilegeEscalation || s.Capabilities == nil || !slices.Contains(s.Capabilities.Drop, "ALL") {
			bad("%s: container %s: wants a read-only root, no escalation, no capabilities", p.owner, k.Name)
		}
		if k.Resources.Limits.Memory().IsZero() || k.Resources.Requests.Memory().IsZero() || k.Resources.Requests.Cpu().IsZero() {
			bad("%s: container %s: wants a limit and requests", p.owner, k.Name)
		}
		for _, probe := range []*core.Probe{k.LivenessProbe, k.ReadinessProbe} {
			if probe == nil || probe.HTTPGet == nil || !p.opens(probe.HTTPGet.Port) {
				bad("%s: container %s: wants probes on a port it opens", p.owner, k.Name)
			}
		}
		for _, m := range k.VolumeMounts {
			if !slices.Contains(volumes, m.Name) {
				bad("%s: container %s mounts %s, which is no volume", p.owner, k.Name, m.Name)
			}
		}
		for _, e := range k.EnvFrom {
			if e.ConfigMapRef != nil {
				if _, there := c.configs[e.ConfigMapRef.Name]; !there {
					bad("%s: no config map %s", p.owner, e.ConfigMapRef.Name)
				}
			}
			if e.SecretRef != nil {
				if _, there := secrets[e.SecretRef.Name]; !there {
					bad("%s: README.md makes no secret %s", p.owner, e.SecretRef.Name)
				}
			}
		}
		for _, e := range k.Env {
			if e.ValueFrom != nil && e.ValueFrom.SecretKeyRef != nil && !slices.Contains(secrets[e.ValueFrom.SecretKeyRef.Name], e.ValueFrom.SecretKeyRef.Key) {
				bad("%s: README.md makes no secret %s with %s", p.owner, e.ValueFrom.SecretKeyRef.Name, e.ValueFrom.SecretKeyRef.Key)
			}
		}
	}
}

func kubernetes(t *testing.T) (*cluster, map[string][]string) {
	t.Helper()
	dir := filepath.Join(deployDir, "kubernetes")
	c, err := loadCluster(dir)
	if err != nil {
		t.Fatal(err)
	}
	return c, secretsIn(readText(t, filepath.Join(dir, "README.md")))
}

func readText(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestManifestsFitTogether(t *testing.T) {
	c, secrets := kubernetes(t)
	for _, f := range c.faults(secrets) {
		t.Error(f)
	}
	var k struct{ Resources []string }
	if err := yaml.Unmarshal([]byte(readText(t, filepath.Join(deployDir, "kubernetes/kustomization.yaml"))), &k); err != nil {
		t.Fatal(err)
	}
	for f := range c.files {
		if !slices.Contains(k.Resources, f) {
			t.Errorf("kustomization.yaml does not name %s", f)
		}
	}
	if len(k.Resources) != len(c.files) {
		t.Errorf("kustomization.yaml names %d files, there are %d", len(k.Resources), len(c.files))
	}
}

func TestManifestFaultsAreSeen(t *testing.T) {
	for _, m := range []struct {
		name, want string
		damage     func(*cluster)
	}{
		{"root may be written", "read-only root", func(c *cluster) { c.pods[0].spec.Containers[0].SecurityContext.ReadOnlyRootFilesystem = nil }},
		{"service without a pod", "selects no pod", func(c *cluster) { c.services[0].Spec.Selector = map[string]string{"app": "gone"} }},
		{"service to a port that is none", "have no port", func(c *cluster) { c.services[0].Spec.Ports[0].TargetPort = intstr.FromString("gone") }},
		{"budget of nothing", "budget", func(c *cluster) { c.budgets[0].Spec.Selector.MatchLabels = map[string]string{"app": "gone"} }},
		{"config map that is not there", "no config map", func(c *cluster) { clear(c.configs) }},
		{"mount without a volume", "which is no volume", func(c *cluster) { c.pods[0].spec.Volumes = nil }},
		{"scaling of what is not there", "is not there", func(c *cluster) { c.scaled[0].Spec.ScaleTargetRef.Name = "gone" }},
		{"no limit", "wants a limit", func(c *cluster) { c.pods[0].spec.Containers[0].Resources = core.ResourceRequirements{} }},
		{"no probe", "wants probes", func(c *cluster) { c.pods[0].spec.Containers[0].LivenessProbe = nil }},
	} {
		t.Run(m.name, func(t *testing.T) {
			c, secrets := kubernetes(t)
			m.damage(c)
			if list := c.faults(secrets); !strings.Contains(strings.Join(list, "\n"), m.want) {
				t.Errorf("faults %q, want one with %q", list, m.want)
			}
		})
	}
	t.Run("secret that nobody makes", func(t *testing.T) {
		c, _ := kubernetes(t)
		if len(c.faults(nil)) == 0 {
			t.Error("no fault")
		}
	})
	t.Run("field that is none", func(t *testing.T) {
		c := &cluster{accounts: map[string]bool{}}
		err := c.add([]byte("apiVersion: v1\nkind: ServiceAccount\nmetadata: {name: x, namespace: discsafe}\nautomountServiceAccountTokens: false\n"))
		if err == nil {
			t.Error("a field that Kubernetes does not know was taken")
		}
	})
}

func TestBrokerFileIsTheSameInKubernetes(t *testing.T) {
	c, _ := kubernetes(t)
	want := readText(t, filepath.Join(deployDir, "nats/cluster.conf"))
	if got := c.configs["nats"].Data["nats.conf"]; strings.TrimSpace(got) != strings.TrimSpace(want) {
		t.Errorf("kubernetes/nats.yaml and nats/cluster.conf differ:\n%s", got)
	}
}

// KEDA asks Prometheus; a name nobody exports would keep the workers at their least.
func TestScalingAsksForMetricsThatAreThere(t *testing.T) {
	source := readText(t, "../../worker/metrics/metrics.go")
	c, _ := kubernetes(t)
	asked := 0
	for _, s := range c.scaled {
		for _, trigger := range s.Spec.Triggers {
			for _, m := range regexp.MustCompile(`discsafe_([a-z_]+)`).FindAllStringSubmatch(trigger.Metadata["query"], -1) {
				asked++
				if !strings.Contains(source, `"`+m[1]+`"`) {
					t.Errorf("trigger %s asks for %s, which the program does not export", trigger.Name, m[0])
				}
			}
		}
	}
	if asked != 2 {
		t.Errorf("%d metrics are asked for, want 2", asked)
	}
}
