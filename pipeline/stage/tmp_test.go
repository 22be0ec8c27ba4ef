package stage
import ("testing";"math/cmplx")
func TestTmp(t *testing.T){
	for _,rate:=range []int{44100,192000}{ for _,slope:=range []int{6,12,24}{ for _,fc:=range []float64{30,150,500}{
		p,err:=NewSumLows(SumLowsParams{CrossoverHz:fc,SlopeDB:slope,Phase:PhaseLinear},rate)
		if err!=nil{t.Fatal(err)}
		n:=p.lin.half+10
		b:=pulse(p,1,-1,n,n)
		_,s:=midAndSide(b)
		for _,x:=range []float64{0.02,0.05,0.1,0.25,0.5,0.7,1,1.4,2,4,10}{
			g:=spectrumAt(s,n,rate,x*fc)
			w:=highPassMagnitude(x,slope/6)
			t.Logf("rate %d slope %d fc %g x %g: %.3f want %.3f lin err %.5f phase %.3g",rate,slope,fc,x,db(g),db(complex(w,0)),cmplx.Abs(g)-w,cmplx.Phase(g))
		}
	}}}
}
