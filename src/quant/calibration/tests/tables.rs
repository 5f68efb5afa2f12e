use super::*;

pub(super) fn read(text: &str) -> Result<AreaTable, String> {
    AreaTable::read(text, &method(), "areas.csv", "").map_err(|e| e.to_string())
}

#[test]
fn tables_are_read_as_people_write_them() {
    let table = read("\u{feff}Remark;AREA_mAU_s;Analyte;LEVEL\r\nfine;\"12,5\";lactic acid;low\r\n;1,5e2; lactic acid ;mid\r\n\r\n;;;\r\n").unwrap();
    assert_eq!(table.points.len(), 2);
    assert_eq!(
        (table.points[0].area_mau_s, table.points[0].nominal),
        (12.5, 0.5)
    );
    assert_eq!(table.points[1].area_mau_s, 150.0);
    assert_eq!(
        table.notes,
        [
            "columns left aside: `remark`",
            "areas with a decimal comma were read as numbers"
        ]
    );
    assert_eq!(
        read("level,analyte,area_mau_s\nlow,\"lactic acid\",-1.5\n")
            .unwrap()
            .points[0]
            .area_mau_s,
        -1.5
    );
}

#[test]
fn a_table_may_bring_its_own_nominals_and_unit() {
    let mut method = method();
    method.analytes[0].molar_mass_g_mol = Some(90.08);
    let read =
        |text: &str| AreaTable::read(text, &method, "areas.csv", "").map_err(|e| e.to_string());
    let table = read("level;analyte;nominal;unit;area_mau_s\nmid;lactic acid;0,4504;g/L;300\nmid;lactic acid;0,4504;g/L;301\nextra;lactic acid;900.8;mg/L;600\nhigh;acetic acid;;;500\n").unwrap();
    let nominals: Vec<f64> = table.points.iter().map(|p| p.nominal).collect();
    for (got, want) in nominals.iter().zip([5.0, 5.0, 10.0, 10.0]) {
        assert!((got - want).abs() < 1e-12, "{nominals:?}");
    }
    assert_eq!(
        table.notes,
        [
            "lactic acid: nominal concentrations in g/L were converted to mmol/L (times 11.1012)",
            "lactic acid: nominal concentrations in mg/L were converted to mmol/L (times 0.0111012)"
        ]
    );
    let other = read("level,analyte,nominal,area_mau_s\nmid,lactic acid,4.9,300\n").unwrap();
    assert_eq!(other.points[0].nominal, 4.9);
    assert_eq!(
        other.notes,
        ["mid, lactic acid: 4.9 mmol/L in the table, 5 in the method: the table counts"]
    );
    let e = read("level,analyte,nominal,unit,area_mau_s\nmid,acetic acid,1,g/L,300\n").unwrap_err();
    assert!(
        e.starts_with("line 2, column 4: ") && e.contains("molar_mass_g_mol"),
        "{e}"
    );
    let e = read("level,analyte,nominal,unit,area_mau_s\nmid,acetic acid,1,ppm,300\n").unwrap_err();
    assert!(e.contains("`ppm`"), "{e}");
    let e = read("level,analyte,nominal,area_mau_s\nmid,acetic acid,-1,300\n").unwrap_err();
    assert!(e.contains("below zero"), "{e}");
    let e = read("level,analyte,nominal,area_mau_s\nmid,acetic acid,x,300\n").unwrap_err();
    assert!(
        e.contains("column 3") && e.contains("a concentration"),
        "{e}"
    );
}

#[test]
fn table_faults_name_line_and_column() {
    let head = "level,analyte,area_mau_s\n";
    let e = |rows: &str| read(&format!("{head}{rows}")).unwrap_err();
    assert_eq!(
        e("low,lactic acid,abc"),
        "line 2, column 3: `abc` is no number; an area in mAU·s was expected"
    );
    for bad in ["nan", "inf", "1e999", "1_000", "0x10"] {
        assert!(
            e(&format!("\n\nlow,lactic acid,{bad}")).starts_with("line 4, column 3"),
            "{bad}"
        );
    }
    assert!(e("low,lactic acid,12,5").contains("decimal comma needs semicolons"));
    assert!(e("low,lactic acid").contains("`area_mau_s` is empty"));
    assert!(e(",lactic acid,5").starts_with("line 2, column 1: `level` is empty"));
    let message = e("lwo,lactic acid,5");
    assert!(message.starts_with("line 2, column 1: ") && message.contains("did you mean `low`"));
    assert!(e("low,lactic acd,5").starts_with("line 2, column 2: "));
    assert!(e("low,\"lactic,5").contains("quote"));
    assert!(e("").contains("no rows"));
    assert!(read("").unwrap_err().contains("empty"));
    assert!(
        read("level,analyte,area\nlow,lactic acid,5")
            .unwrap_err()
            .contains("is it `area`?")
    );
    assert!(
        read("level,level,analyte,area_mau_s\n")
            .unwrap_err()
            .contains("twice")
    );
    assert!(
        read("level;analyte;area_mau_s\nlow;lactic acid;1.234,5")
            .unwrap_err()
            .contains("no number")
    );
}
