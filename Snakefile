# raw file -> inventory -> decode -> grade -> judge -> dark -> register -> ground -> combine -> join -> finish -> summarise -> results/
# The inventory is made before the plan, since everything below depends on what is on the card.
from pathlib import Path

from pipeline.plan import NOTES, RESULTS
from pipeline.run.engine import Workflow, step

W = Workflow(Path.cwd())


wildcard_constraints:
    batch=r"[\w.-]+",
    scene=r"[\w.-]+",
    set=r"[\w.-]+",


rule all:
    input:
        [f"results/{scene}/{name}" for scene in W.made for name in RESULTS],
        [f"work/scenes/{scene}/{name}" for scene in W.made for name in NOTES],


# The front door lets the mosaics of a scene stay for another run where they are few, and some of its darks' with them.
rule decode:
    input:
        ancient("work/plan/batches/{batch}.json"),
    output:
        directory("work/mosaics/{batch}") if W.keeps else temp(directory("work/mosaics/{batch}")),
    wildcard_constraints:
        batch=W.pattern(W.of_lights | W.staying),
    params:
        key=lambda wildcards: W.batch_key("decode", wildcards.batch),
    log:
        "logs/decode/{batch}.log",
    priority: lambda wildcards: W.priority(wildcards.batch)
    shell:
        step("decode") + " --project . --batch {input} --out {output} 2> {log} && printf %s {params.key} > {output}/key"


use rule decode as decode_calibration with:
    output:
        temp(directory("work/mosaics/{batch}")),
    wildcard_constraints:
        batch=W.pattern(W.of_sets - W.staying),


# The plan's files are ancient() throughout: what of them a step depends on is in its key.
# The mosaics are scratch: made again for `combine`, they must not cause grading again.
rule grade:
    input:
        batch=ancient("work/plan/batches/{batch}.json"),
        mosaics=lambda wildcards: ancient(W.mosaics_to_grade(wildcards.batch)),
    output:
        grades="work/grades/{batch}.ecsv",
        stars="work/grades/{batch}.stars.fits",
        key="work/grades/{batch}.key",
    params:
        key=lambda wildcards: W.batch_key("grade", wildcards.batch),
    log:
        "logs/grade/{batch}.log",
    priority: lambda wildcards: W.priority(wildcards.batch)
    shell:
        step("grade") + " --project . --batch {input.batch} --mosaics {input.mosaics}"
        " --out {output.grades} --stars {output.stars} 2> {log} && printf %s {params.key} > {output.key}"


rule judge:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        grades=lambda wildcards: W.grades(wildcards.scene, ".ecsv"),
        stars=lambda wildcards: W.grades(wildcards.scene, ".stars.fits"),
    output:
        "work/scenes/{scene}/measured.ecsv",
    params:
        key=lambda wildcards: W.scene_key("judge", wildcards.scene),
    log:
        "logs/judge/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("judge") + " --project . --scene {input.scene} --grades {input.grades} --stars {input.stars}"
        " --as-measured --out {output} 2> {log}"


# Apart, so that a frame dropped or kept by hand has no frame compared again.
rule judge_by_hand:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        measured="work/scenes/{scene}/measured.ecsv",
    output:
        "work/scenes/{scene}/verdicts.ecsv",
    params:
        key=lambda wildcards: W.scene_key("judge_by_hand", wildcards.scene),
    log:
        "logs/judge_by_hand/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("judge") + " --project . --scene {input.scene} --measured {input.measured} --out {output} 2> {log}"


rule dark_master:
    input:
        set=ancient("work/plan/darks/{set}.json"),
        mosaics=lambda wildcards: ancient(W.mosaics(wildcards.set)),
        dark=lambda wildcards: W.dark_of_set(wildcards.set),
    output:
        "work/darks/{set}.fits",
    params:
        key=lambda wildcards: W.set_key(wildcards.set),
        dark=lambda wildcards, input: f"--dark {input.dark}" if input.dark else "",
    log:
        "logs/dark/{set}.log",
    priority: lambda wildcards: W.priority(wildcards.set)
    shell:
        step("dark") + " master --project . --set {input.set} --mosaics {input.mosaics} {params.dark} --out {output} 2> {log}"


rule dark_scene:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        verdicts="work/scenes/{scene}/verdicts.ecsv",
        mosaics=lambda wildcards: ancient(W.mosaics(wildcards.scene)),
        master=lambda wildcards: W.master(wildcards.scene),
        bias=lambda wildcards: W.master(wildcards.scene, "bias"),
        flat=lambda wildcards: W.master(wildcards.scene, "flat"),
    output:
        calibration="work/scenes/{scene}/calibration.ecsv",
        defects="work/scenes/{scene}/defects.fits",
    params:
        key=lambda wildcards: W.scene_key("dark", wildcards.scene),
        master=lambda wildcards, input: f"--master {input.master}" if input.master else "",
        bias=lambda wildcards, input: f"--bias {input.bias}" if input.bias else "",
        flat=lambda wildcards, input: f"--flat {input.flat}" if input.flat else "",
    log:
        "logs/dark/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("dark") + " scene --project . --scene {input.scene} --verdicts {input.verdicts} --mosaics {input.mosaics}"
        " {params.master} {params.bias} {params.flat} --out {output.calibration} --defects {output.defects} 2> {log}"


rule register:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        verdicts="work/scenes/{scene}/verdicts.ecsv",
        stars=lambda wildcards: W.grades(wildcards.scene, ".stars.fits"),
    output:
        "work/scenes/{scene}/geometry.json",
    params:
        key=lambda wildcards: W.scene_key("register", wildcards.scene),
    log:
        "logs/register/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("register") + " --project . --scene {input.scene} --verdicts {input.verdicts} --stars {input.stars} --out {output} 2> {log}"


rule ground:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        verdicts="work/scenes/{scene}/verdicts.ecsv",
        geometry="work/scenes/{scene}/geometry.json",
        calibration="work/scenes/{scene}/calibration.ecsv",
        defects="work/scenes/{scene}/defects.fits",
        stars=lambda wildcards: W.grades(wildcards.scene, ".stars.fits"),
        mosaics=lambda wildcards: ancient(W.mosaics(wildcards.scene)),
        master=lambda wildcards: W.master(wildcards.scene),
        bias=lambda wildcards: W.master(wildcards.scene, "bias"),
        flat=lambda wildcards: W.master(wildcards.scene, "flat"),
        land=lambda wildcards: W.land_files(wildcards.scene),
        land_mosaics=lambda wildcards: ancient(W.land_mosaics(wildcards.scene)),
    output:
        ground="work/scenes/{scene}/ground.fits",
        figures="work/scenes/{scene}/ground.json",
    params:
        key=lambda wildcards: W.scene_key("ground", wildcards.scene),
        masters=lambda wildcards: W.masters_given(wildcards.scene),
        land=lambda wildcards: W.land_given(wildcards.scene),
    log:
        "logs/ground/{scene}.log",
    threads: workflow.cores
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("ground") + " --project . --threads {threads} --scene {input.scene} --verdicts {input.verdicts}"
        " --geometry {input.geometry} --calibration {input.calibration} --defects {input.defects} {params.masters}"
        " {params.land} --stars {input.stars} --mosaics {input.mosaics} --out {output.ground} --figures {output.figures} 2> {log}"


rule combine:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        verdicts="work/scenes/{scene}/verdicts.ecsv",
        geometry="work/scenes/{scene}/geometry.json",
        calibration="work/scenes/{scene}/calibration.ecsv",
        defects="work/scenes/{scene}/defects.fits",
        mosaics=lambda wildcards: ancient(W.mosaics(wildcards.scene)),
        master=lambda wildcards: W.master(wildcards.scene),
        bias=lambda wildcards: W.master(wildcards.scene, "bias"),
        flat=lambda wildcards: W.master(wildcards.scene, "flat"),
        ground="work/scenes/{scene}/ground.fits",
        standing="work/scenes/{scene}/ground.json",
    output:
        combined="results/{scene}/combined.fits",
        figures="work/scenes/{scene}/combine.json",
    params:
        key=lambda wildcards: W.scene_key("combine", wildcards.scene),
        masters=lambda wildcards: W.masters_given(wildcards.scene),
    log:
        "logs/combine/{scene}.log",
    threads: workflow.cores
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("combine") + " --project . --threads {threads} --scene {input.scene} --verdicts {input.verdicts}"
        " --geometry {input.geometry} --calibration {input.calibration} --defects {input.defects} {params.masters}"
        " --ground {input.ground} --ground-figures {input.standing} --mosaics {input.mosaics} --out {output.combined} --figures {output.figures} 2> {log}"


# Of a scene with ground, composite.fits beside combined.fits.
rule join:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        combined="results/{scene}/combined.fits",
        ground="work/scenes/{scene}/ground.fits",
    output:
        "work/scenes/{scene}/join.json",
    params:
        key=lambda wildcards: W.scene_key("join", wildcards.scene),
        composite=lambda wildcards: f"results/{wildcards.scene}/composite.fits",
    log:
        "logs/join/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("join") + " --project . --scene {input.scene} --combined {input.combined} --ground {input.ground}"
        " --composite {params.composite} --figures {output} 2> {log}"


rule finish:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        combined="results/{scene}/combined.fits",
        joined="work/scenes/{scene}/join.json",
        ground="work/scenes/{scene}/ground.fits",
        geometry="work/scenes/{scene}/geometry.json",
        stars=lambda wildcards: W.grades(wildcards.scene, ".stars.fits"),
    output:
        tiff="results/{scene}/combined.tif",
        preview="results/{scene}/preview.jpg",
        figures="work/scenes/{scene}/finish.json",
    params:
        key=lambda wildcards: W.scene_key("finish", wildcards.scene),
        composite=lambda wildcards: f"results/{wildcards.scene}/composite.fits",
    log:
        "logs/finish/{scene}.log",
    threads: workflow.cores
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("finish") + " --project . --threads {threads} --scene {input.scene} --combined {input.combined}"
        " --geometry {input.geometry} --stars {input.stars}"
        " --ground {input.ground} --composite {params.composite} --tiff {output.tiff} --preview {output.preview} --figures {output.figures} 2> {log}"


rule summarise:
    input:
        scene=ancient("work/plan/scenes/{scene}.json"),
        grades=lambda wildcards: W.grades(wildcards.scene, ".ecsv"),
        verdicts="work/scenes/{scene}/verdicts.ecsv",
        geometry="work/scenes/{scene}/geometry.json",
        calibration="work/scenes/{scene}/calibration.ecsv",
        ground="work/scenes/{scene}/ground.json",
        combine="work/scenes/{scene}/combine.json",
        join="work/scenes/{scene}/join.json",
        finish="work/scenes/{scene}/finish.json",
        combined="results/{scene}/combined.fits",
        tiff="results/{scene}/combined.tif",
        preview="results/{scene}/preview.jpg",
    output:
        page="results/{scene}/index.html",
        frames="results/{scene}/frames.ecsv",
        streaks="results/{scene}/streaks.ecsv",
        figures="results/{scene}/scene.json",
        timings="results/{scene}/timings.json",
    params:
        key=lambda wildcards: W.scene_key("summarise", wildcards.scene),
    log:
        "logs/summarise/{scene}.log",
    priority: lambda wildcards: W.priority(wildcards.scene)
    shell:
        step("summarise") + " scene --project . --scene {input.scene} 2> {log}"


# The trip's page is made whatever became of the scenes; those that failed stand in it with their reason.
onsuccess:
    shell(step("summarise") + " trip --project .")


onerror:
    shell(step("summarise") + " trip --project .")
