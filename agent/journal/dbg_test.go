package journal
import ("testing";"os";"fmt";"strings";"strconv")
func TestDbg(t *testing.T){
 raw,_ := os.ReadFile(os.Getenv("DBG"))
 lines := strings.Split(string(raw),"\n")
 q := strings.TrimSuffix(strings.TrimPrefix(lines[1],"[]byte("),")")
 s,_ := strconv.Unquote(q)
 b := []byte(s)
 fmt.Println(lines[2:], len(b))
 if lines[2]=="bool(true)" { resum(b,1) }
 m := newMemFS()
 m.set("j/x", b)
 f,_ := m.Open("j/x")
 _,n,err := parseHeader(b,1)
 fmt.Println("head",n,err)
 for off:=int(n); off<len(b); {
  ft,p,k := parseFrame(b[off:],1,int64(off))
  if k==0 { off++; continue }
  extra := ""
  if ft==linkFrame||ft==settled { pl:=parsePlace(p); extra=fmt.Sprint(pl.seq, pl.link.String()[:8], " clock ", pl.clock) }
  fmt.Println(off,ft,k,extra)
  off+=k
 }
 sv,err := surveySegment(f,"x",1,identity{testDevice,testKey},true)
 fmt.Println(err, sv.damage, sv.place.seq, sv.place.link.String()[:8], sv.end, sv.cut, sv.cutRecs, sv.lacking, sv.lackEnd)
 for _, tb := range sv.tables { fmt.Println("table", tb.base.seq, tb.base.link.String()[:8], tb.last.seq, tb.last.link.String()[:8], len(tb.recs)) }
}
