package bench
import ("testing";"os";"strconv";"fmt";"image/png";"image";"flatfell.example/stitch";"flatfell.example/internal/scene")
func TestZZCheck(t *testing.T){
 n,_:=strconv.Atoi(os.Getenv("N")); off,_:=strconv.Atoi(os.Getenv("OFF"))
 c:=Config{}.withDefaults(20,2,320,480)
 res:=&CheckResult{Faults:[]CheckFault{{Name:"none"}}}
 for _,f:=range faults{res.Faults=append(res.Faults,CheckFault{Name:f.name})}
 os.MkdirAll("/tmp/ff/card/rows",0o777)
 for s:=off;s<off+n;s++{ for k:= -2;k<len(faults);k++{
  if o:=os.Getenv("ONLY");o!=""&&o!=fmt.Sprint(k){continue}
  coast,plan,at:=c.seededRow(uint64(s),k)
  var fr []*stitch.Frame
  for i:=range plan.Frames{
   p:=fmt.Sprintf("/tmp/ff/card/rows/%d_%d_%d.png",s,k,i)
   if _,err:=os.Stat(p);err!=nil{ pic,err:=coast.Frame(t.Context(),1,plan,i); if err!=nil{t.Fatal(err)}; f,_:=os.Create(p+".tmp"); png.Encode(f,scene.Encode8(pic)); f.Close(); os.Rename(p+".tmp",p)}
   f,_:=os.Open(p); img,err:=png.Decode(f); f.Close(); if err!=nil{t.Fatal(err)}
   _ = image.Pt
   fr=append(fr,stitch.NewFrame(plan.Frames[i].File,img)) }
  if os.Getenv("RENDER")!=""{continue}
  if os.Getenv("DUMP")!=""{ rep,_:=stitch.Check(t.Context(),fr,stitch.CheckOptions{}); fmt.Println("== seed",s,"fault",k,"at",at); for _,f:=range rep.Frames{fmt.Printf("   %s roll %.2f pitch %.2f sharp %.2f\n",f.File,f.RollDeg,f.PitchDeg,f.SharpnessStops)}; for _,p:=range rep.Pairs{fmt.Printf("   %d-%d %s ov %.3f ev %.2f sharp %.2f near %.2f far %.2f par %.2f moved %.2f in %d/%d\n",p.A,p.B,p.Verdict,p.Overlap,p.ExposureStops,p.SharpnessStops,p.NearStops,p.FarStops,p.ParallaxPx,p.Moved,p.Inliers,p.Matches)}; for _,f:=range rep.Findings{fmt.Println("   >>",f.Kind,f.Reshoot,f.Text)}; continue}
  if err:=res.judged(t.Context(),c,fr,plan,at,uint64(s),k);err!=nil{t.Fatal(err)} } }
 t.Log("\n"+res.String())
}
