//! Tells what a WAV file is made of, as JSON: `tell FILE [START END]`. Without times, of the most telling moment.

use std::process::ExitCode;

use tenterhook_spectra::{Formant, Moment, Partial, Pitch, Study, study};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let told = match arguments.as_slice() {
        [file] => read(file).map(|(sound, rate)| tell(&study(&sound, rate), None)),
        [file, start, end] => match (start.parse(), end.parse()) {
            (Ok(start), Ok(end)) => read(file).map(|(sound, rate)| tell(&study(&sound, rate), Some((start, end)))),
            _ => Err("times are numbers of seconds: tell FILE 0.5 1.2".to_owned()),
        },
        _ => Err("which file? tell FILE [START END]".to_owned()),
    };
    match told {
        Ok(json) => {
            println!("{json}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

/// The first channel of a file.
fn read(file: &str) -> Result<(Vec<f32>, u32), String> {
    let error = |e: hound::Error| format!("{file} cannot be read: {e}. Give a WAV file");
    let mut reader = hound::WavReader::open(file).map_err(error)?;
    let spec = reader.spec();
    let channels = usize::from(spec.channels.max(1));
    let samples: Result<Vec<f32>, _> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().step_by(channels).collect(),
        hound::SampleFormat::Int => {
            let full = 2f32.powi(i32::from(spec.bits_per_sample) - 1);
            reader.samples::<i32>().step_by(channels).map(|s| s.map(|s| s as f32 / full)).collect()
        }
    };
    Ok((samples.map_err(error)?, spec.sample_rate))
}

fn tell(study: &Study, span: Option<(f64, f64)>) -> String {
    let span = span.map_or_else(|| study.most_telling(), |(start, end)| start..end);
    let moment: Moment = study.moment(span);
    let number = |x: Option<f64>| x.map_or("null".to_owned(), |x| format!("{x:.4}"));
    let pitch = |p: &Pitch| format!("[{:.4},{},{:.4}]", p.seconds, number(p.hz), p.harmonicity);
    let partial = |p: &Partial| format!("[{:.4},{:.2},{:.3}]", p.hz, p.db, p.confidence);
    let formant = |f: &Formant| format!("[{:.1},{:.1}]", f.hz, f.bandwidth_hz);
    let steady = |s: &std::ops::Range<f64>| format!("[{:.3},{:.3}]", s.start, s.end);
    format!(
        "{{\"seconds\":{:.4},\"span\":[{:.4},{:.4}],\"fundamental\":{},\"harmonicity\":{:.4},\"noise\":{:.4},\
         \"formants\":{},\"partials\":{},\"steady\":{},\"pitch\":{}}}",
        study.seconds,
        moment.span.start,
        moment.span.end,
        number(moment.fundamental_hz),
        moment.harmonicity,
        moment.noise,
        list(&moment.formants, formant),
        list(&moment.partials, partial),
        list(&study.steady, steady),
        list(&study.pitch, pitch),
    )
}

fn list<T>(items: &[T], each: impl Fn(&T) -> String) -> String {
    format!("[{}]", items.iter().map(each).collect::<Vec<_>>().join(","))
}
